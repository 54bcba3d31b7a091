"""How soon the law notices a plant that does not obey, and how often it blames a sound one.

    python -m tests.benchmarks.expectations [--chambers 40] [--days 30] [--seed 1] [--processes 2]

Chambers, weather and growers are those of the purpose benchmark, drawn at random, on the service's
own loop. First every chamber runs sound: each alarm that says of a plant, a probe or an output that
it is at fault is a false one. Then each fault in turn comes about on the second day of a few of
them. Prints figures and judges nothing; the aim is less than one false alarm per chamber and year.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from multiprocessing import Pool
from pathlib import Path
from random import Random

from controller.domain.alarms import AlarmName
from controller.outputs.dry import DryOutput
from controller.probes.samples import Sample
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from tests.benchmarks.purpose import SCENARIO, config_text

DAY_S = 86_400.0
FAULT_AT_S = 1.25 * DAY_S
FAULT_DAYS = 3.0
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


def rehearsal(number: int, seed: int, days: float) -> Rehearsal:
    """Return a chamber drawn at random, ready to run."""
    with tempfile.TemporaryDirectory() as folder:
        config, scenario = Path(folder, "chamber.toml"), Path(folder, "week.toml")
        config.write_text(config_text(Random(f"{seed}/{number}")), encoding="utf-8")
        scenario.write_text(SCENARIO, encoding="utf-8")
        return Rehearsal(read_settings(config), read_scenario(scenario), days=days, seed=number)


class Welded(DryOutput):
    """An output whose contact stays closed from some instant on; it reads back as commanded."""

    def __init__(self, broken: Callable[[], bool], share: float = 1.0) -> None:
        super().__init__()
        self._broken = broken
        self._share = share
        self._turn = 0.0

    @property
    def on(self) -> bool:
        """Whether current flows; by turns where only a share of the effect is left."""
        if super().on or not self._broken():
            return super().on
        self._turn += self._share
        whole = self._turn >= 1.0
        self._turn -= whole
        return whole


def _weld(run: Rehearsal, broken: Callable[[], bool], *, fan_share: float) -> None:
    run._outputs["pump"] = Welded(broken)
    run._outputs["fan"] = Welded(broken, fan_share)


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
        _weld(run, broken, fan_share=1.0)
    elif fault == "pump stays on":
        _weld(run, broken, fan_share=BY_ITSELF)
    elif fault == "no flow":
        faults_at = run._faults_at

        def without_flow(at_s: float) -> set[str]:
            kinds = faults_at(at_s)
            run.probes.flow = 0.0 if broken() else 1.0
            return kinds

        run._faults_at = without_flow  # type: ignore[method-assign]
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


def sound(arguments: tuple[int, int, float]) -> Counter[str]:
    """Return the accusing alarms of a sound chamber."""
    run = rehearsal(*arguments)
    run.run()
    return Counter(alarm.name for alarm in run.tally.alarms if alarm.name in ACCUSING)


def noticed(arguments: tuple[str, int, int]) -> tuple[str, float | None, str]:
    """Return a fault, how long it went unnoticed [s], and the alarm that named it."""
    fault, number, seed = arguments
    run = rehearsal(number, seed, FAULT_DAYS)
    bring_about(fault, run)
    run.run()
    named = [
        (alarm.raised_t_s - FAULT_AT_S, alarm.name)
        for alarm in run.tally.alarms
        if alarm.name in FAULTS[fault] and alarm.raised_t_s >= FAULT_AT_S
    ]
    after_s, name = min(named, default=(None, "never"))
    return fault, after_s, name


def main() -> None:
    """Print every figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chambers", type=int, default=40)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--faulty", type=int, default=6, help="chambers for each fault")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    with Pool(chosen.processes) as pool:
        tries = [(each, number, chosen.seed) for each in FAULTS for number in range(chosen.faulty)]
        outcomes = pool.map(noticed, tries, chunksize=1)
        print(f"{'fault':<40} {'noticed':>8} {'median':>8} {'latest':>8}  by")
        for fault in FAULTS:
            found = [(after_s, name) for each, after_s, name in outcomes if each == fault]
            times = [after_s / 60.0 for after_s, _ in found if after_s is not None]
            by = ", ".join(
                f"{name} {count}" for name, count in Counter(n for _, n in found).items()
            )
            middle = f"{statistics.median(times):.0f} min" if times else "–"
            latest = f"{max(times):.0f} min" if times else "–"
            share = f"{len(times)}/{len(found)}"
            print(f"{fault:<40} {share:>8} {middle:>8} {latest:>8}  {by}")
        runs = [(number, chosen.seed, chosen.days) for number in range(chosen.chambers)]
        false = sum(pool.imap_unordered(sound, runs), Counter[str]())
    years = chosen.chambers * chosen.days / 365.0
    print(f"\nsound plants: {chosen.chambers} chambers, {chosen.days:g} days each")
    for name in sorted(ACCUSING):
        print(f"{name:<40} {false[name]:>4} false, {false[name] / years:.2f} a chamber-year")
    print(f"{'together':<40} {false.total():>4} false, {false.total() / years:.2f} a chamber-year")


if __name__ == "__main__":
    main()
