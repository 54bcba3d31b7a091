"""Speed and size of a rehearsal and of the commands, here and in another checkout, in one run.

Run as ``python -m tests.benchmarks.beside [FOLDER] [--days 30] [--long]``. Each figure is the
processor time of a process of its own, which counts nothing of the others'; compare ratios, since
absolute times drift from machine to machine. FOLDER is another checkout of this project.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
CONFIG = "config/larkmoor-laptop.toml"

PRELUDE = """
import json, pathlib, sys, time
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
settings = read_settings(shipped_config("larkmoor-laptop.toml"))
def scenario(name):
    return read_scenario(shipped_config("scenarios") / f"{name}.toml")
def most_mb():
    status = pathlib.Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) // 1024
"""
REHEARSED = """
name, days = sys.argv[1], float(sys.argv[2])
made = Rehearsal(settings, scenario(name), days=days)
began = time.process_time()
made.run()
print(json.dumps(days / (time.process_time() - began)))
"""
FORECAST = """
from controller.rehearsal.dry_forecaster import DryForecaster
days = float(sys.argv[1])
made = Rehearsal(settings, scenario("heat-wave"), days=days, forecaster=DryForecaster(settings))
began = time.process_time()
made.run()
print(json.dumps(days / (time.process_time() - began)))
"""
FOUR_CHAMBERS = """
from dataclasses import replace
from random import Random
draw = Random(4)
most = []
for _ in range(4):
    spec = settings.plant_spec()
    chamber = replace(
        spec.chamber,
        volume_m3=draw.uniform(0.15, 1.0),
        air_changes_per_h=draw.uniform(0.5, 6.0),
        humidifier_kg_per_h=draw.choice([0.0, 0.06, 0.2]),
    )
    coil = replace(
        spec.coil, ua_air_w_k=draw.uniform(3.0, 25.0), air_kg_s=draw.uniform(0.006, 0.03)
    )
    plant = replace(spec, chamber=chamber, coil=coil)
    Rehearsal(settings, scenario("calm-day"), days=float(sys.argv[1]), plant=plant).run()
    most.append(most_mb())
print(json.dumps(most))
"""


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    what: str
    measure: Callable[[Path], float]
    unit: str
    aim: str
    faster: bool = False
    """Whether a larger figure is the better one."""


def main() -> None:
    """Print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path, nargs="?", help="another checkout")
    options.add_argument("--days", type=float, default=30.0, help="length of a rehearsal")
    options.add_argument("--long", action="store_true", help="memory over 90 days too")
    chosen = options.parse_args()
    rows = [
        Row("rehearse, calm days", _rehearsed("calm-day", chosen.days), "days/s", "20", True),
        Row("rehearse, heat wave", _rehearsed("heat-wave", chosen.days), "days/s", "20", True),
        Row("heat wave with forecasts", _forecast(min(1.0, chosen.days)), "days/s", "6", True),
        Row("coldpin --help", _command("--help"), "s", "0.10"),
        Row("coldpin check", _command("check", CONFIG), "s", "0.4"),
        Row("coldpin size", _command("size", CONFIG), "s", "1.0"),
    ]
    print(f"{'processor time':<28}{'here':>12}{'beside':>12}{'ratio':>8}  aim")
    for row in rows:
        ours = row.measure(ROOT)
        theirs = None if chosen.folder is None else row.measure(chosen.folder.absolute())
        print(_line(row, ours, theirs), flush=True)
    if chosen.long:
        for days in (9.0, 90.0):
            most_mb = _output(ROOT, PRELUDE + FOUR_CHAMBERS, [str(days)])
            print(f"four chambers, {days:g} days each: most memory after each {most_mb} MB")


def _line(row: Row, ours: float, theirs: float | None) -> str:
    line = f"{row.what:<28}{ours:>7.2f} {row.unit:<4}"
    if theirs is None:
        return f"{line}{'':>20}  {row.aim}"
    ratio = ours / theirs if row.faster else theirs / ours
    return f"{line}{theirs:>7.2f} {row.unit:<4}{ratio:>7.2f}x  {row.aim}"


def _rehearsed(name: str, days: float) -> Callable[[Path], float]:
    return lambda root: float(_output(root, PRELUDE + REHEARSED, [name, str(days)]))


def _forecast(days: float) -> Callable[[Path], float]:
    return lambda root: float(_output(root, PRELUDE + FORECAST, [str(days)]))


def _command(*arguments: str) -> Callable[[Path], float]:
    """Return what measures the processor time of a command [s]."""

    def measure(root: Path) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        _run(root, ["-m", "controller", *arguments])
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return measure


def _output(root: Path, code: str, arguments: Sequence[str]) -> Any:
    return json.loads(_run(root, ["-c", code, *arguments]))


def _run(root: Path, arguments: Sequence[str]) -> str:
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=root,
        # an installed program has its modules compiled
        env={key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        | {"PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in {0, 1}:  # a verdict that a build does not hold is no failure
        raise SystemExit(f"{root}: {done.stderr[-1000:]}")
    return done.stdout


if __name__ == "__main__":
    main()
