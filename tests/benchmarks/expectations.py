"""How soon the law notices a plant that does not obey, and how often it blames a sound one.

    python -m tests.benchmarks.expectations [--chambers 40] [--days 30] [--seed 1] [--processes 2]

Chambers, weather and growers are those of the purpose benchmark, drawn at random, on the service's
own loop. First every chamber runs sound: each alarm that says of a plant, a probe or an output that
it is at fault is a false one. Then each fault in turn comes about on the fourth day of a few of
them. "at rest" is for how much of the time to notice the pump was commanded off: a contact that
stays closed shows nothing while it should be closed. Prints figures and judges nothing; the aim is
less than one false alarm per chamber and year.

A pump that stays on alone is not named in the two chambers whose room is 2 to 4 K warmer than their
air: it hardly warms by itself there. The reservoir shows no more: in rests of a sound chamber with
ice in it, it changes by 0.0 K/h, within a step of the probe, and it does the same with the pump on
until the packs are spent; what it does then has nothing learned to be held against.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import Any

from controller.domain.alarms import AlarmName
from controller.outputs.dry import DryOutput
from controller.probes.samples import Sample
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.thermal.coil import Coil
from controller.thermal.moist_air import humidity_ratio
from controller.thermal.water import MEAN_CP_KJ_KGK
from tests.benchmarks.purpose import SCENARIO
from tests.benchmarks.shelf_chambers import config_text, exchanged

DAY_S = 86_400.0
FAULT_AT_S = 3.25 * DAY_S
FAULT_DAYS = 6.0
BY_ITSELF = 0.2
"""Share of the fan's cooling that air moving by itself over a cold coil takes; from memory."""
ACCUSING = {
    AlarmName.COOLING_WHILE_OFF.value, AlarmName.PROBES_EXCHANGED.value,
    AlarmName.RESERVOIR_PROBE_MISPLACED.value, AlarmName.PROBE_UNSTEADY.value,
    AlarmName.PUMP_NOISE.value, AlarmName.FREQUENT_TRIPS.value, AlarmName.FLOW_NOT_PROVED.value,
    AlarmName.PROBE_LOST.value, AlarmName.OUTPUT_FAILED.value, AlarmName.RESERVOIR_EMPTY.value,
    AlarmName.AIR_LOW.value,
}  # fmt: skip
"""Alarms that say something is broken; the others say that the cold runs out."""
Samples = Sequence[tuple[str, Sample]]


def chamber_text(random: Random) -> str:
    """Return a configuration drawn at random; the air is changed and wetted more or less too."""
    text = config_text(random)
    changes = (
        ("air_changes_per_h = 2.0", f"air_changes_per_h = {random.uniform(1.0, 6.0):.1f}"),
        ("humidifier_kg_per_h = 0.06", f"humidifier_kg_per_h = {random.uniform(0.03, 0.2):.2f}"),
        ("\nrh = 0.5", f"\nrh = {random.uniform(0.35, 0.65):.2f}"),
    )
    return exchanged(text, changes)


def weather_text(random: Random, days: float) -> str:
    """Return the scenario with a room that is some days warmer or cooler, day after day."""
    warmer_k, warmer = random.uniform(-3.0, 3.0), []
    for _ in range(math.ceil(days) + 1):
        warmer.append(f'"{warmer_k:.1f} K"')
        warmer_k = min(6.0, max(-6.0, 0.8 * warmer_k + random.gauss(0.0, 2.0)))
    lines = SCENARIO.splitlines()
    at = next(n for n, line in enumerate(lines) if line.startswith("warmer_by"))
    lines[at] = f"warmer_by = [{', '.join(warmer)}]"
    return "\n".join(lines)


def rehearsal(number: int, seed: int, days: float, **more: Any) -> Rehearsal:
    """Return a chamber drawn at random, ready to run."""
    random = Random(f"{seed}/{number}")
    with tempfile.TemporaryDirectory() as folder:
        config, scenario = Path(folder, "chamber.toml"), Path(folder, "weather.toml")
        config.write_text(chamber_text(random), encoding="utf-8")
        scenario.write_text(weather_text(random, days), encoding="utf-8")
        settings, script = read_settings(config), read_scenario(scenario)
        return Rehearsal(settings, script, days=days, seed=number, **more)


class Welded(DryOutput):
    """An output whose contact stays closed from some instant on; it reads back as commanded."""

    def __init__(self, broken: Callable[[], bool]) -> None:
        super().__init__()
        self._broken = broken

    @property
    def commanded(self) -> bool:
        """What it was told last."""
        return super().on

    @property
    def on(self) -> bool:
        """Whether current flows."""
        return super().on or self._broken()


def _weld(run: Rehearsal, broken: Callable[[], bool], *, share: float) -> None:
    """Weld pump and fan; while they are commanded off, a share of the cooling is left.

    A coil without its fan is taken for one with it and so little water that its duty is that share:
    the plant knows no air that moves by itself.
    """
    pump = Welded(broken)
    run._outputs["pump"], run._outputs["fan"] = pump, Welded(broken)
    little = share * _water_share_of_duty(run)
    running = run.probes._running

    def with_flow() -> tuple[bool, bool]:
        run.probes.ahead.flow = little if broken() and not pump.commanded and share < 1.0 else 1.0
        return running()

    run.probes._running = with_flow


def _water_share_of_duty(run: Rehearsal) -> float:
    """Return the share of the pump's flow that carries the coil's duty, warmed to the air."""
    spec = run._spec.coil
    coil = Coil(
        ua_air_w_k=spec.ua_air_w_k, ua_water_w_k=spec.ua_water_w_k, air_kg_s=spec.air_kg_s,
        water_kg_s=spec.water_kg_s, pressure_pa=101_325.0,
    )  # fmt: skip
    air_c, water_c = 16.0, 6.0
    ratio = humidity_ratio(air_c=air_c, rh=0.88, pressure_pa=101_325.0)
    duty_kw = coil.take(air_c=air_c, ratio=ratio, water_c=water_c).total_kw
    return duty_kw / (spec.water_kg_s * MEAN_CP_KJ_KGK * (air_c - water_c))


def _change_samples(run: Rehearsal, change: Callable[[float, Samples], Samples]) -> None:
    collect = run.probes.collect
    run.probes.collect = lambda now: change(now, collect(now))  # type: ignore[method-assign]


def bring_about(fault: str, run: Rehearsal) -> None:
    """Let a fault begin at its time."""
    origin, other = run.clock.origin, {"air": "reservoir", "reservoir": "air"}

    def broken() -> bool:
        return run.clock.monotonic() - origin >= FAULT_AT_S

    def exchanged(_now: float, samples: Samples) -> Samples:
        return [(other.get(n, n) if broken() else n, sample) for n, sample in samples]

    def in_the_draught(_now: float, samples: Samples) -> Samples:
        air = dict(samples).get("air")
        cooled_mk = 6000 if run._outputs["pump"].on else 4000
        return [
            (n, Sample(sample.at, air.value_mc - cooled_mk))
            if n == "reservoir" and broken() and air is not None and air.value_mc is not None
            else (n, sample)
            for n, sample in samples
        ]

    def now_and_then(now: float, samples: Samples) -> Samples:
        silent = broken() and (now - origin) % 300.0 >= 150.0
        return [each for each in samples if not (silent and each[0] == "air")]

    def disturbed(_now: float, samples: Samples) -> Samples:
        silent = broken() and run._outputs["pump"].on
        return [each for each in samples if not (silent and each[0] == "air")]

    if fault == "pump and fan stay on":
        _weld(run, broken, share=1.0)
    elif fault == "pump stays on":
        _weld(run, broken, share=BY_ITSELF)
    elif fault == "no flow":
        running = run.probes._running

        def without_flow() -> tuple[bool, bool]:
            run.probes.ahead.flow = 0.0 if broken() else 1.0
            return running()

        run.probes._running = without_flow
    else:
        changes = {
            "air and reservoir exchanged": exchanged,
            "reservoir probe in the coil's draught": in_the_draught,
            "air probe answers half of the time": now_and_then,
            "air probe lost while the pump runs": disturbed,
        }
        _change_samples(run, changes[fault])


FAULTS = {
    "pump and fan stay on": {"cooling_while_off", "air_low"},
    "pump stays on": {"cooling_while_off", "air_low"},
    "no flow": {"flow_not_proved"},
    "air and reservoir exchanged": {"probes_exchanged", "air_low"},
    "reservoir probe in the coil's draught": {"reservoir_probe_misplaced"},
    "air probe answers half of the time": {"probe_unsteady", "probe_lost", "pump_noise"},
    "air probe lost while the pump runs": {"pump_noise", "frequent_trips"},
}
"""Each fault, and the alarms that name it."""


def sound(arguments: tuple[int, int, float]) -> tuple[int, Counter[str]]:
    """Return a sound chamber's number and its accusing alarms."""
    run = rehearsal(*arguments)
    run.run()
    return arguments[0], Counter(a.name for a in run.tally.alarms if a.name in ACCUSING)


@dataclass(frozen=True, slots=True)
class Noticed:
    """What became of one fault in one chamber."""

    fault: str
    number: int
    after_s: float | None
    """How long it went unnoticed [s]."""
    off_s: float
    """For how much of that time the pump was commanded off [s]."""
    by: str


def noticed(arguments: tuple[str, int, int]) -> Noticed:
    """Return when a fault was noticed, and by which alarm."""
    fault, number, seed = arguments
    run = rehearsal(number, seed, FAULT_DAYS, keep_switches=True)
    bring_about(fault, run)
    run.run()
    named = [
        (alarm.raised_t_s - FAULT_AT_S, alarm.name)
        for alarm in run.tally.alarms
        if alarm.name in FAULTS[fault] and alarm.raised_t_s >= FAULT_AT_S
    ]
    after_s, name = min(named, default=(None, "never"))
    until_s = FAULT_DAYS * DAY_S if after_s is None else FAULT_AT_S + after_s
    return Noticed(fault, number, after_s, _off_s(run, until_s), name)


def _off_s(run: Rehearsal, until_s: float) -> float:
    """Return for how long the pump was commanded off between the fault and an instant [s]."""
    off_s, since_s = 0.0, FAULT_AT_S
    changes = [(switch["t_s"], switch["pump"]) for switch in run.tally.switches]
    pump = next((on for at_s, on in reversed(changes) if at_s <= since_s), False)
    for at_s, on in [*changes, (until_s, False)]:
        if since_s < at_s <= until_s:
            off_s += 0.0 if pump else at_s - since_s
            since_s = at_s
        if at_s >= since_s:
            pump = on
    return off_s


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chambers", type=int, default=40)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--faulty", type=int, default=12, help="chambers for each fault")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    with Pool(chosen.processes) as pool:
        print(f"{'fault':<40} {'noticed':>8} {'median':>8} {'latest':>8} {'at rest':>8}  by")
        for fault in FAULTS:
            tries = [(fault, number, chosen.seed) for number in range(chosen.faulty)]
            result = pool.map(noticed, tries, chunksize=1)
            seen = [each for each in result if each.after_s is not None]
            by = ", ".join(f"{name} {n}" for name, n in Counter(e.by for e in result).items())
            times = sorted((each.after_s or 0.0) / 60.0 for each in seen)
            middle = f"{statistics.median(times):.0f} min" if times else "–"
            latest = f"{times[-1]:.0f} min" if times else "–"
            rested = f"{statistics.median(e.off_s / 60.0 for e in seen):.0f} min" if seen else "–"
            share = f"{len(seen)}/{len(result)}"
            print(f"{fault:<40} {share:>8} {middle:>8} {latest:>8} {rested:>8}  {by}", flush=True)
            for each in result:
                if each.after_s is None:
                    off = f"pump commanded off for {each.off_s / 60.0:.0f} min of it"
                    print(f"    chamber {each.number}: never; {off}")
        runs = [(number, chosen.seed, chosen.days) for number in range(chosen.chambers)]
        false: Counter[str] = Counter()
        for done, (number, alarms) in enumerate(pool.imap_unordered(sound, runs), 1):
            false += alarms
            print(f"{done} sound chambers run", file=sys.stderr, end="\r", flush=True)
            if alarms:
                print(f"sound chamber {number}: {dict(alarms)}", flush=True)
    if not chosen.chambers:
        return
    years = chosen.chambers * chosen.days / 365.0
    print(f"\nsound plants: {chosen.chambers} chambers, {chosen.days:g} days each")
    for name in sorted(ACCUSING):
        print(f"{name:<40} {false[name]:>4} false, {false[name] / years:.2f} a chamber-year")
    print(f"{'together':<40} {false.total():>4} false, {false.total() / years:.2f} a chamber-year")


if __name__ == "__main__":
    main()
