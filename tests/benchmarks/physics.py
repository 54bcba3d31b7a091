"""What the physics costs, beside scipy doing the same; prints figures and judges nothing.

Run as ``python -m tests.benchmarks.physics [--longest DAYS]``. All figures of one call come from
one run on one machine; compare ratios.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time

from scipy.integrate import solve_ivp

from controller.core.law import Band
from controller.planning.changes import best_changes
from controller.planning.verdict import judge
from controller.rehearsal.plants import Account, LumpedChamber
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
from controller.thermal.equations import Drive
from controller.thermal.plant import Plant
from controller.thermal.specs import PlantSpec
from tests.benchmarks.speed import say
from tests.thermal.reference import Course, scipy_run

CONFIG = shipped_config("larkmoor-laptop.toml")
SCENARIO = shipped_config("scenarios") / "calm-day.toml"
RTOL, ATOL = 1e-4, 1e-4
"""About the accuracy of our own step (0.02 K over a day at most, usually far less)."""


class ScipyChamber:
    """The same equations, stepped from call to call by solve_ivp."""

    def __init__(self, spec: PlantSpec, *, air_c: float, reservoir_c: float, room_c: float) -> None:
        self._plant = Plant(spec)
        state = self._plant.start(
            air_c=air_c, reservoir_c=reservoir_c, room_c=room_c, rh=spec.chamber.rh
        )
        eq = self._plant.equations
        self._counts = [group.packs for group in state.bath.groups]
        self._room_rh = spec.room.rh
        self._y = [
            state.air_c,
            state.ratio,
            state.fabric_c,
            state.crop_c,
            eq.water_kj(state.reservoir_c, 0.0),
            *(group.kj_kg for group in state.bath.groups),
        ]
        self._coil = eq.coil_at(1.0)
        self.air_c, self.reservoir_c = air_c, reservoir_c

    def outlet_c(self) -> float:
        return self.air_c

    def advance(self, dt_s: float, *, pump: bool, fan: bool, room_c: float, flow: float) -> None:
        eq = self._plant.equations
        drive = Drive(pump=pump, fan=fan, room_c=room_c, room_rh=self._room_rh)
        coil = self._coil if pump and fan else None
        found = solve_ivp(
            lambda _t, y: eq.derivatives(y, drive, self._counts, coil),
            (0.0, dt_s),
            self._y,
            method="LSODA",
            rtol=RTOL,
            atol=ATOL,
        )
        self._y = [float(value) for value in found.y[:, -1]]
        self.air_c = self._y[0]
        self.reservoir_c = eq.water_state(self._y[4])[0]

    def swap(self, *, packs: int, frozen_share: float) -> None:
        """Leave the packs: no swap falls into the measured hours."""

    def account(self) -> Account:
        return Account(ice_melted_kg=None, heat_removed_kj=None, energy_balance_error=None)


def main() -> None:
    """Print every figure."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--longest", type=int, default=120)
    options.add_argument("--one-run", type=float, help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.one_run:
        _run(chosen.one_run)
        return
    against_scipy()
    sizing()
    growth(chosen.longest)


def _run(days: float, chamber: object = None) -> float:
    settings = read_settings(CONFIG)
    rehearsal = Rehearsal(settings, read_scenario(SCENARIO), days=days)
    if chamber is not None:
        rehearsal.chamber = rehearsal.probes.chamber = chamber  # type: ignore[assignment]
    began = time.perf_counter()
    rehearsal.run()
    return time.perf_counter() - began


def against_scipy() -> None:
    """The whole control loop with our step, with solve_ivp from call to call, and events alone."""
    spec = read_settings(CONFIG).plant_spec()
    start = {"air_c": 16.5, "reservoir_c": 6.0, "room_c": 24.0}
    hours = 2.0
    ours_s = _run(hours / 24, LumpedChamber(spec, **start))
    theirs_s = _run(hours / 24, ScipyChamber(spec, **start))
    say("plant with the full control loop", f"{hours / 24 / ours_s:.1f} days/s")
    say("the same loop, solve_ivp from step to step", f"{hours / 24 / theirs_s:.2f} days/s")
    say("ratio", f"{theirs_s / ours_s:.0f}")
    ours_alone_s, theirs_alone_s = (
        _plant_alone(chamber)
        for chamber in (LumpedChamber(spec, **start), ScipyChamber(spec, **start))
    )
    say("the plant alone, our step over solve_ivp", f"{theirs_alone_s / ours_alone_s:.0f} times")
    plant = Plant(spec)
    state = plant.start(rh=spec.chamber.rh, **start)
    band = Band(17_000, 15_500)
    course = Course(
        drive=lambda _tick: Drive(pump=False, fan=False, room_c=24.0, room_rh=0.5),
        hold=720,
        ticks=17_280,
        dt_s=5.0,
        cut_in_c=band.cut_in_mc / 1000,
        cut_out_c=band.cut_out_mc / 1000,
    )
    began = time.perf_counter()
    found = scipy_run(plant, state, course)
    events_s = time.perf_counter() - began
    say(
        "scipy alone, ideal relay by events, tolerance 1e-8",
        f"{1 / events_s:.2f} days/s ({len(found.switches_s)} switches)",
    )


def _plant_alone(chamber: LumpedChamber | ScipyChamber, steps: int = 500) -> float:
    began = time.perf_counter()
    for step in range(steps):
        on = step // 60 % 4 == 0
        chamber.advance(10.0, pump=on, fan=on, room_c=24.0, flow=1.0)
    return time.perf_counter() - began


def sizing() -> None:
    """`coldpin size`: the verdict, and every change tried."""
    settings = read_settings(CONFIG)
    began = time.process_time()
    judgement = judge(settings)
    once_s = time.process_time() - began
    best_changes(judgement)
    say(
        "the verdict / the changes, CPU time",
        f"{once_s:.2f} s / {time.process_time() - began - once_s:.2f} s",
    )


def growth(longest: int) -> None:
    """Time and memory from one day to many: a straight line, and no line at all."""
    for days in (1, longest // 4, longest):
        command = [sys.executable, "-m", __spec__.name, "--one-run", str(days)]
        began = time.perf_counter()
        done = subprocess.run(
            ["/usr/bin/env", "python3", "-c", _MEASURED, *command],
            check=True,
            capture_output=True,
            text=True,
        )
        say(
            f"{days} days",
            f"{time.perf_counter() - began:.1f} s, most memory {done.stdout.strip()} MB",
        )


_MEASURED = (
    "import resource,subprocess,sys;subprocess.run(sys.argv[1:],check=True);"
    "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss//1024)"
)

if __name__ == "__main__":
    main()
