"""What `coldpin fit` finds in records of chambers that others wrote.

    python -m tests.benchmarks.foreign_fit FOLDER [--processes 2] [--days 7] [--only 1,7]
        [--figures]

FOLDER is as in `tests.benchmarks.foreign`. Its truth states no figure of a plant, but how far the
grower's words may be off, and from what figures were drawn: `range_of`. An interval that does not
meet the range cannot hold the truth. Beside that stands how many hold what the grower's words say
themselves (of a coil, its label), which the truth may differ from. Only records with a room probe.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from multiprocessing import Pool
from pathlib import Path
from typing import Any

from controller.errors import RecordError
from controller.fit.figures import FIGURES
from controller.fit.fitting import Fit, fit
from controller.fit.stretches import Observed, Stretch, stretches_of
from controller.foresight.bins import bins_of
from controller.foresight.swaps import find_swaps
from controller.probes.recorded import read_rows
from controller.thermal.specs import PlantSpec
from tests.benchmarks.foreign import recorded, settings_of

EVERY_S = 59.0
"""Records keep a reading a minute, and one at each switch [s]."""
RANGES = {"ua_w_k": (0.3, 1.6), "crop_w_per_kg": (0.1, 0.8)}
"""Where the truth of a figure may lie, whatever the grower says: boxes by how long ice lasts in
them; crops from shiitake at rest to oyster in a flush."""
WALLS_U_W_M2K = {
    "50 mm foam board box": (0.51, 0.65),
    "25 mm foam board box": (0.91, 1.09),
    "tent lined with foil bubble": (1.68, 2.40),
    "bare fabric tent": (4.15, 4.17),
}
"""Of walls by their words: extruded and moulded foam; foil with and without a bright face to still
air. Own, from films of 0.12 m²·K/W."""
LABEL_OFF, WALL_OFF = 0.25, 0.3
"""How far off a coil's label may be, by the records' own page, and a wall, as in the study that
they came with."""
JUDGED = ("rated_w_per_k", "wall_u_w_m2k", *RANGES)


@dataclass(frozen=True, slots=True)
class FitOfRecord:
    """What became of one record."""

    name: str
    result: Fit | RecordError
    nominal: dict[str, Any]
    """What its grower knows."""
    words: dict[str, float]
    """What that says of each figure."""
    cpu_s: float


def range_of(key: str, nominal: dict[str, Any]) -> tuple[float, float] | None:
    """Return where the truth of a figure may lie, by what a grower knows; None: anywhere."""
    if key == "rated_w_per_k":
        label = label_w_k(nominal)
        return label / (1.0 + LABEL_OFF), label / (1.0 - LABEL_OFF)
    if key == "wall_u_w_m2k":
        low, high = WALLS_U_W_M2K[nominal["wall"]]
        return low * (1.0 - WALL_OFF), high * (1.0 + WALL_OFF)
    return RANGES.get(key)


def label_w_k(nominal: dict[str, Any]) -> float:
    """Return what the coil's label says [W/K]."""
    return float(nominal["coil"].split("about ")[1].split(" W")[0])


def stretches(path: Path, record: dict[str, Any], *, days: float) -> list[Stretch]:
    """Return a record as a fit takes it: the last days of it."""
    samples, logged = recorded(path, room_probe=True)
    offset = datetime.fromisoformat(record["cycles"][0]["swap"]).utcoffset()
    assert offset is not None
    lit_h = record["nominal"]["lights_local_h"]

    def lit(at_s: float) -> bool:
        hour = (at_s + offset.total_seconds()) / 3600.0 % 24.0
        return lit_h is not None and lit_h[0] <= hour < lit_h[1]

    seen: list[Observed] = []
    for row in read_rows(path, on_problem=lambda _text: None):
        if row.air_c is None or row.reservoir_c is None or row.room_c is None:
            continue
        at_s, ran = row.at.timestamp(), (bool(row.pump), bool(row.fan))
        if seen and ran == (seen[-1].pump, seen[-1].fan) and at_s - seen[-1].at_s < EVERY_S:
            continue
        seen.append(Observed(at_s, row.air_c, row.reservoir_c, row.room_c, *ran, lit(at_s)))
    begins_s = seen[-1].at_s - days * 86_400.0
    bins = list(bins_of(samples, until_s=samples[-1].at_s))
    return list(
        stretches_of([each for each in seen if each.at_s >= begins_s], find_swaps(bins, logged))
    )


def judge(arguments: tuple[Path, dict[str, Any], float]) -> FitOfRecord:
    """Fit one record."""
    folder, record, days = arguments
    spec: PlantSpec = settings_of(record).plant_spec()
    words = {figure.key: figure.of(spec) for figure in FIGURES}
    words["rated_w_per_k"] = label_w_k(record["nominal"])
    pieces = stretches(folder / record["file"], record, days=days)
    began_s = time.process_time()
    result: Fit | RecordError
    try:
        result = fit(pieces, spec)
    except RecordError as error:
        result = error
    spent_s = time.process_time() - began_s
    return FitOfRecord(record["file"][7:9], result, record["nominal"], words, spent_s)


def lines_of(each: FitOfRecord, *, figures: bool) -> list[str]:
    """Return what was found of one record, as text."""
    if isinstance(each.result, RecordError):
        return [f"{each.name} {each.cpu_s:4.0f} s  refused: {each.result}"]
    result = each.result
    misfit = f"{result.air_rms_k:.2f} / {result.reservoir_rms_k:.2f} K"
    lines = [
        f"{each.name} {each.cpu_s:4.0f} s  {result.days:.1f} days, {result.sets} sets, {misfit}"
    ]
    if figures:
        for fitted in (*result.fitted, *result.undetermined):
            determined = "" if fitted in result.fitted else "  not told"
            span = range_of(fitted.figure.key, each.nominal)
            possible = "" if span is None else f"  possible {span[0]:.3g} to {span[1]:.3g}"
            lines.append(
                f"     {fitted.figure.key:16} {fitted.value:8.3g}  "
                f"({fitted.low:.3g} to {fitted.high:.3g}){possible}{determined}"
            )
    return lines


def counts(result: Sequence[FitOfRecord]) -> list[str]:
    """Return the counts per figure, as text."""
    lines = ["figure            told   of it: meets the range   holds the words   half width"]
    all_meets = all_determined = 0
    for key in JUDGED:
        determined = meets = holds = 0
        widths = []
        for each in result:
            if isinstance(each.result, RecordError):
                continue
            for fitted in each.result.fitted:
                span = range_of(key, each.nominal)
                if fitted.figure.key != key or span is None:
                    continue
                determined += 1
                meets += fitted.low <= span[1] and span[0] <= fitted.high
                holds += fitted.low <= each.words[key] <= fitted.high
                widths.append((fitted.high / fitted.low) ** 0.5 - 1.0)
        all_determined, all_meets = all_determined + determined, all_meets + meets
        width = f"{statistics.median(widths):12.0%}" if widths else ""
        lines.append(f"{key:16} {determined:5} {meets:24} {holds:17} {width}")
    lines.append(f"together: {all_meets} of {all_determined} meet the range")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--only", help="numbers of records, with commas")
    parser.add_argument("--figures", action="store_true", help="each figure of each record")
    asked = parser.parse_args()
    records = json.loads((asked.folder / "truth.json").read_text(encoding="utf-8"))["records"]
    records = [each for each in records if each["probes"]["room"]]
    if asked.only:
        wanted = {int(number) for number in asked.only.split(",")}
        records = [each for each in records if int(each["file"][7:9]) in wanted]
    result = []
    with Pool(asked.processes) as pool:
        for each in pool.imap(judge, [(asked.folder, each, asked.days) for each in records]):
            print("\n".join(lines_of(each, figures=asked.figures)), flush=True)
            result.append(each)
    print()
    print("\n".join(counts(result)))
    cpu = sorted(each.cpu_s for each in result)
    print(f"processor time of a fit: median {statistics.median(cpu):.0f} s, most {cpu[-1]:.0f} s")


if __name__ == "__main__":
    main()
