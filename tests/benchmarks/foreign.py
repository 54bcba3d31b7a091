"""How well swap due is forecast on records of chambers that others wrote, with their truth.

    python -m tests.benchmarks.foreign FOLDER [--processes 2] [--only 4,8] [--by-record]
        [--knowing water,load,room]

FOLDER holds ``record-NN.csv.gz`` and ``truth.json``: for each record what its grower would know
(``nominal``), and for each set of packs the true end (``due``) with the instants 6, 3 and 1 h
before it. A configuration is written from what the grower knows, the record is played into one
forecaster in the order of time, and it is asked at each of those instants, as the lookout would
be. Nothing later is seen. Errors are forecast less truth (minus: said too early): median and 90 %
quantile of their size, bias (mean) and share of truths within the bounds. Beside each row stand the
figures of commit 66323fc for the two sets of records that came with the study. Judges nothing.
``--knowing`` hands each forecast truths that nobody could know (`known_truths`): where it mends
most, the error comes from there.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from multiprocessing import Pool
from pathlib import Path
from typing import Any

from controller.foresight.bins import RecordedSample, bins_of
from controller.foresight.forecaster import Forecaster
from controller.foresight.swaps import Logged
from controller.probes.recorded import read_rows
from controller.settings.foresight_of import forecaster_of
from controller.settings.load import Settings, read_settings
from tests.benchmarks.known_truths import TRUTHS, let_know

LEADS = ("6", "3", "1")
AFTER_S = 1800.0
"""A truth that is handed over is the record's until so long after the end [s]."""
FAR_TOO_EARLY_MIN = -120.0
DEFAULT_CORE_W_K = 11.0
"""What the default coil takes, dry, per kelvin of inlet difference [W/K] (`CoilSpec`)."""
DEFAULT_CORE = {"ua_air_w_k": 22.0, "ua_water_w_k": 150.0, "air_kg_s": 0.017, "water_kg_s": 0.0167}
UNSTATED_CHAMBER = {"air_changes_per_h": 4.0, "crop_w_per_kg": 0.69, "humidifier_kg_per_h": 0.1}
"""What the records do not state: the defaults of commit 66323fc, so that both are asked alike."""
WALLS = {
    "50 mm foam board box": "foam-board-50",
    "25 mm foam board box": "foam-board-25",
    "bare fabric tent": "fabric",
    "tent lined with foil bubble": "fabric-foil-bubble",
}
RELEASED = {
    # commit 66323fc, by the first record's litres and set: median, 90 %, bias, inside, n
    "a": {
        ("6", "first"): "21/56 -22 100%", ("6", "after 1"): "65/159 -76 50%",
        ("6", "after 3"): "34/78 -15 78%", ("6", "room"): "33/77 -11 82%",
        ("6", "no room"): "45/118 -47 50%", ("3", "first"): "45/61 -20 92%",
        ("3", "after 1"): "37/61 -16 89%", ("3", "after 3"): "21/57 -7 76%",
        ("3", "room"): "19/53 -6 81%", ("3", "no room"): "33/98 -11 60%",
        ("1", "first"): "11/27 0 100%", ("1", "after 1"): "5/24 +1 90%",
        ("1", "after 3"): "11/33 +4 67%", ("1", "room"): "11/28 +6 69%",
        ("1", "no room"): "12/41 +1 61%",
    },
    "b": {
        ("6", "first"): "50/119 -17 92%", ("6", "after 1"): "58/124 -47 71%",
        ("6", "after 3"): "30/77 -20 82%", ("6", "room"): "34/77 -20 78%",
        ("6", "no room"): "23/67 -20 92%", ("3", "first"): "26/56 -18 83%",
        ("3", "after 1"): "20/45 -23 86%", ("3", "after 3"): "17/49 -6 83%",
        ("3", "room"): "16/52 -6 76%", ("3", "no room"): "20/42 -6 100%",
        ("1", "first"): "10/20 +1 91%", ("1", "after 1"): "8/14 -4 100%",
        ("1", "after 3"): "10/24 +3 83%", ("1", "room"): "9/24 +3 82%",
        ("1", "no room"): "10/24 +5 86%",
    },
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """One forecast and how far it was off."""

    record: str
    lead: str
    cycle: int
    """Sets of packs before this one in the record."""
    room_probe: bool
    partial: bool
    warm: bool
    error_min: float | None
    """None: no forecast, or none within its horizon."""
    held: bool | None
    width_min: float | None
    cpu_s: float


def configuration(nominal: dict[str, Any], probes: dict[str, bool], *, offset_h: int) -> str:
    """Return a configuration as a grower would write it from what is known of a chamber."""
    x, y, z = nominal["tent_m"]
    label_w_k = float(nominal["coil"].split("about ")[1].split(" W")[0])
    core = {key: value * label_w_k / DEFAULT_CORE_W_K for key, value in DEFAULT_CORE.items()}
    rh = float(nominal["humidifier"].split("about ")[1].split(" %")[0]) / 100.0
    cut_in_c, cut_out_c = nominal["cut_in_c"], nominal["cut_out_c"]
    wakes, sleeps = (_clock(hour) for hour in nominal["grower_awake_h"])
    lights = nominal["lights_local_h"]
    room = "\n[probes.room]\nkind = 'simulated'\n" if probes["room"] else ""
    by_clock = "" if lights is None else (
        f"\n[lights]\nfrom = '{_clock(lights[0])}'\nto = '{_clock(lights[1])}'\n"
    )  # fmt: skip
    load = "driver = 'dry'\nsupply = '12 V DC'\ncurrent = '0.5 A'\nload_kind = 'motor'\n"
    return f"""
[chamber]
name = "a record"
stage = "fruiting"
[stages.fruiting]
cut_in = "{cut_in_c} C"
cut_out = "{cut_out_c} C"
[timing]
minimum_run = "{nominal["minimum_run_s"]:g} s"
anti_short_cycle = "{nominal["anti_short_cycle_s"]:g} s"
[limits]
low_limit = "{max(2.0, cut_out_c - 3.0)} C"
air_high = "{cut_in_c + 3.0} C"
reservoir_margin = "1 K"
[site]
time_zone = "Etc/GMT{-offset_h:+d}"
[people]
wakes = "{wakes}"
sleeps = "{sleeps}"
[probes.air]
kind = "simulated"
[probes.reservoir]
kind = "simulated"
{room}{by_clock}
[loads.pump]
{load}
[loads.fan]
{load}
[plant.chamber]
volume_m3 = {x * y * z}
wall_area_m2 = {2.0 * (x * y + y * z + x * z)}
wall = "{WALLS[nominal["wall"]]}"
rh = {rh}
lights_w = {float(nominal["lights_w"])}
fans_w = {float(nominal["fan_w"])}
crop_kg = {float(nominal["crop_kg"])}
{_lines(UNSTATED_CHAMBER)}
[plant.coil]
{_lines(core)}
[plant.reservoir]
litres = {float(nominal["litres"])}
ua_w_k = 0.5
pump_w = {float(nominal["pump_w"])}
[plant.packs]
count = {2 * nominal["packs"]}
in_reservoir = {nominal["packs"]}
kg = {float(nominal["kg_per_pack"])}
thickness_mm = 30.0
refreeze_h = {float(nominal["freezer_hours"])}
[plant.room]
day_c = {nominal["room_typical_c"] + 1.5}
night_c = {nominal["room_typical_c"] - 1.5}
"""


def _lines(values: dict[str, float]) -> str:
    return "\n".join(f"{key} = {value:.5f}" for key, value in values.items())


def _clock(hour: float) -> str:
    minutes = round(hour * 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def settings_of(record: dict[str, Any]) -> Settings:
    """Return the settings of a record's chamber."""
    offset = datetime.fromisoformat(record["cycles"][0]["swap"]).utcoffset()
    assert offset is not None
    text = configuration(
        record["nominal"], record["probes"], offset_h=round(offset.total_seconds() / 3600)
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "chamber.toml"
        path.write_text(text, encoding="utf-8")
        return read_settings(path)


def recorded(path: Path, *, room_probe: bool) -> tuple[list[RecordedSample], list[Logged]]:
    """Return what a record's probes showed, and the pack changes that were logged."""
    samples: list[RecordedSample] = []
    logged: list[Logged] = []

    def complain(text: str) -> None:
        raise ValueError(f"{path}: {text}")

    for row in read_rows(path, on_problem=complain):
        at_s = row.at.timestamp()
        if row.swap_packs:
            logged.append(Logged(at_s=at_s, packs=row.swap_packs))
        room_c = row.room_c if room_probe else None
        on = bool(row.pump) and bool(row.fan)
        samples.append(RecordedSample(at_s, row.air_c, row.reservoir_c, room_c, on))
    return samples, logged


def judge(arguments: tuple[Path, dict[str, Any], frozenset[str]]) -> list[Judged]:
    """Play one record and judge each forecast."""
    folder, record, knowing = arguments
    settings = settings_of(record)
    room_probe = bool(record["probes"]["room"])
    samples, logged = recorded(folder / record["file"], room_probe=room_probe)
    forecaster = forecaster_of(settings)
    if knowing:
        whole = list(bins_of(samples, until_s=samples[-1].at_s))
        let_know(forecaster, whole, _known_until(record), knowing)
    asked = sorted(
        (datetime.fromisoformat(at).timestamp(), lead, index)
        for index, cycle in enumerate(record["cycles"])
        for lead, at in cycle["as_of"].items()
    )
    return list(_judged(record, room_probe, forecaster, samples, logged, asked))


def _known_until(record: dict[str, Any]) -> Callable[[float], float | None]:
    """Return until when the record tells of the set that is in the water at an instant.

    Until half an hour after its end, and no longer than until the next packs went in.
    """
    sets = [
        (datetime.fromisoformat(cycle["swap"]).timestamp(), cycle) for cycle in record["cycles"]
    ]

    def until_s(at_s: float) -> float | None:
        present = [cycle for swapped_s, cycle in sets if swapped_s < at_s]
        if not present or present[-1]["due"] is None:
            return None
        due_s, next_s = (
            datetime.fromisoformat(present[-1][name]).timestamp()
            for name in ("due", "next_swap_or_end")
        )
        return min(due_s + AFTER_S, next_s)

    return until_s


def _judged(
    record: dict[str, Any],
    room_probe: bool,
    forecaster: Forecaster,
    samples: Sequence[RecordedSample],
    logged: Sequence[Logged],
    asked: Iterable[tuple[float, str, int]],
) -> Iterable[Judged]:
    used = 0
    for now_s, lead, index in asked:
        cycle = record["cycles"][index]
        due_s = datetime.fromisoformat(cycle["due"]).timestamp()
        until = used
        while until < len(samples) and samples[until].at_s < now_s:
            until += 1
        forecaster.add(samples[used:until])
        used = until
        began = time.process_time()
        forecast = forecaster.forecast([each for each in logged if each.at_s <= now_s], now_s=now_s)
        cpu_s = time.process_time() - began
        held = width = None
        if forecast.early_s is not None:
            held = forecast.early_s <= due_s and (
                forecast.late_s is None or due_s <= forecast.late_s
            )
            if forecast.late_s is not None:
                width = (forecast.late_s - forecast.early_s) / 60
        yield Judged(
            record=record["file"][7:9],
            lead=lead,
            cycle=index,
            room_probe=room_probe,
            partial=cycle["packs"] < record["nominal"]["packs"],
            warm=cycle["warm"],
            error_min=None if forecast.due_s is None else (forecast.due_s - due_s) / 60,
            held=held,
            width_min=width,
            cpu_s=cpu_s,
        )


CLASSES: tuple[tuple[str, str, Callable[[Judged], bool]], ...] = (
    ("first", "first set", lambda each: each.cycle == 0),
    ("after 1", "after 1 set", lambda each: each.cycle == 1),
    ("after 3", "after 3 sets and more", lambda each: each.cycle >= 3),
    ("room", "  with a room probe", lambda each: each.cycle >= 3 and each.room_probe),
    ("no room", "  without", lambda each: each.cycle >= 3 and not each.room_probe),
    ("", "  full sets only", lambda each: each.cycle >= 3 and not (each.partial or each.warm)),
    ("", "  partial pack changes", lambda each: each.cycle >= 3 and each.partial),
    ("", "  half-frozen packs", lambda each: each.cycle >= 3 and each.warm),
)


def summary(judged: Sequence[Judged]) -> str:
    """Return n, none, median/90 %, bias, inside, width and far too early as text."""
    errors = [each.error_min for each in judged if each.error_min is not None]
    if not errors:
        return f"{len(judged):5} {len(judged):5}"
    size = sorted(abs(error) for error in errors)
    ninety = size[min(len(size) - 1, int(0.9 * len(size)))]
    held = [each.held for each in judged if each.held is not None]
    widths = [each.width_min for each in judged if each.width_min is not None]
    early = sum(error < FAR_TOO_EARLY_MIN for error in errors) / len(errors)
    return (
        f"{len(judged):5} {len(judged) - len(errors):5} {statistics.median(size):7.0f} "
        f"{ninety:6.0f} {statistics.mean(errors):+6.0f} {sum(held) / max(1, len(held)):7.0%} "
        f"{statistics.median(widths) if widths else 0:6.0f} {early:9.1%}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", help="numbers of records, with commas")
    parser.add_argument("--by-record", action="store_true")
    parser.add_argument("--knowing", default="", help=f"of {', '.join(TRUTHS)}, with commas")
    asked = parser.parse_args()
    records = json.loads((asked.folder / "truth.json").read_text(encoding="utf-8"))["records"]
    if asked.only:
        wanted = {int(number) for number in asked.only.split(",")}
        records = [each for each in records if int(each["file"][7:9]) in wanted]
    knowing = frozenset(asked.knowing.split(",")) - {""}
    if knowing - set(TRUTHS):
        parser.error(f"--knowing {asked.knowing}: allowed are {', '.join(TRUTHS)}")
    with Pool(asked.processes) as pool:
        work = [(asked.folder, each, knowing) for each in records]
        result = pool.map(judge, work, chunksize=1)
    judged = [each for of_record in result for each in of_record]
    released = RELEASED.get(asked.folder.name, {}) if not asked.only else {}
    print(f"{len(records)} records of {asked.folder.name}, {len(judged)} forecasts")
    print(
        f"{'':26} {'n':>5} {'none':>5} {'median':>7} {'90 %':>6} {'bias':>6} {'inside':>7} "
        f"{'width':>6} {'2 h early':>9}   66323fc"
    )
    for lead in LEADS:
        print(f"{lead} h before the end")
        for key, name, chosen in CLASSES:
            of_class = [each for each in judged if each.lead == lead and chosen(each)]
            if of_class:
                print(f"  {name:24} {summary(of_class)}   {released.get((lead, key), '')}")
    if asked.by_record:
        print("3 h before the end, after 3 sets and more, by record")
        for number in sorted({each.record for each in judged}):
            of_class = [e for e in judged if e.record == number and e.lead == "3" and e.cycle >= 3]
            if of_class:
                print(f"  {number:24} {summary(of_class)}")
    cpu = sorted(each.cpu_s for each in judged)
    print(
        f"processor time of a forecast, what is new learned in it: "
        f"median {statistics.median(cpu):.3f} s, 90 % {cpu[int(0.9 * len(cpu))]:.3f} s, "
        f"most {cpu[-1]:.2f} s"
    )


if __name__ == "__main__":
    main()
