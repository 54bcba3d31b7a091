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
from controller.rehearsal.plants import Actuators as HarnessDrive
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
from controller.thermal.equations import Drive
from controller.thermal.packs import melted_share
from controller.thermal.plant import Plant
from controller.thermal.probe import Course as PlaceCourse
from controller.thermal.specs import PlantSpec
from tests.benchmarks.speed import say
from tests.thermal.reference import Course, scipy_run

CONFIG = shipped_config("larkmoor-laptop.toml")
SCENARIO = shipped_config("scenarios") / "calm-day.toml"
RTOL, ATOL = 1e-4, 1e-4
"""About the accuracy of our own step (0.02 K over a day at most, usually far less)."""


class ScipyChamber:
    """The same equations, stepped from call to call by solve_ivp; a step can be taken back."""

    def __init__(
        self, spec: PlantSpec, *, air_c: float, reservoir_c: float, room_c: float, step_s: float
    ) -> None:
        self.step_s = step_s
        self._plant = Plant(spec)
        state = self._plant.start(
            air_c=air_c, reservoir_c=reservoir_c, room_c=room_c, rh=spec.chamber.rh
        )
        eq = self._plant.equations
        self._freezer_c = -18.0 if spec.packs.freezer_c is None else spec.packs.freezer_c
        self._groups = list(state.bath.groups)
        self._room_rh = spec.room.rh
        self._coil = eq.coil_at(1.0)
        self._y = [
            state.air_c,
            state.ratio,
            state.fabric_c,
            state.crop_c,
            eq.water_kj(state.reservoir_c, 0.0),
            *(group.kj_kg for group in self._groups),
        ]
        self._before = self._y
        self._show(1.0, self._y)

    def outlet_c(self, drive: HarnessDrive) -> float:
        del drive
        return self.air_c

    def frozen_share(self) -> float:
        fill = self._plant.equations.packs.fill
        shares = [1.0 - melted_share(fill, kj_kg) for kj_kg in self._y[5:]]
        return sum(shares) / len(shares) if shares else 0.0

    def advance(self, longest_s: float, drive: HarnessDrive, room_c: float) -> None:
        dt_s = longest_s
        eq = self._plant.equations
        driven = Drive(
            pump=drive.pump,
            fan=drive.fan,
            lights=drive.lights,
            room_c=room_c,
            room_rh=self._room_rh,
        )
        coil = self._coil if drive.pump and drive.fan else None
        counts = [group.packs for group in self._groups]
        before = self._before = self._y
        result = solve_ivp(
            lambda _t, y: eq.derivatives(y, driven, counts, coil),
            (0.0, dt_s),
            before,
            method="LSODA",
            rtol=RTOL,
            atol=ATOL,
        )
        self._y = [float(value) for value in result.y[:, -1]]
        self._show(dt_s, before)

    def take_room_air(self, room_c: float, ratio: float | None) -> None:
        """Leave it: the measured day gives the room's humidity as the plant does."""

    def take_back(self) -> None:
        self._y = self._before
        self._show(1.0, self._y)

    def swap(self, *, packs: int, frozen_share: float) -> float:
        """Put fresh packs in as our plant does, the whole set at once."""
        rules = self._plant.equations.packs
        frozen = frozen_share > 0
        fresh = rules.group(
            packs=packs,
            frozen_share=frozen_share,
            pack_c=self._freezer_c if frozen_share >= 1 else (0.0 if frozen else 5.0),
        )
        left = self.frozen_share()
        self._groups = [fresh]
        self._y = [*self._y[:5], fresh.kj_kg]
        return left

    def account(self) -> Account:
        return Account(ice_melted_kg=None, heat_removed_kj=None, energy_balance_error=None)

    def _show(self, dt_s: float, before: list[float]) -> None:
        eq = self._plant.equations
        first_c, water_first_c = before[0], eq.water_state(before[4])[0]
        self.air_c = last_c = self._y[0]
        self.reservoir_c = water_last_c = eq.water_state(self._y[4])[0]
        self.air = PlaceCourse(dt_s, first_c, 0.5 * (first_c + last_c), last_c)
        self.reservoir = PlaceCourse(
            dt_s, water_first_c, 0.5 * (water_first_c + water_last_c), water_last_c
        )


def main() -> None:
    """Print every figure."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--longest", type=int, default=120)
    chosen = options.parse_args()
    against_scipy()
    sizing()
    growth(chosen.longest)


def _run(days: float, chamber: object = None, *, fast: bool = True) -> tuple[float, Rehearsal]:
    """Return the CPU time of a rehearsal [s], and the rehearsal."""
    settings = read_settings(CONFIG)
    rehearsal = Rehearsal(settings, read_scenario(SCENARIO), days=days, fast=fast)
    if chamber is not None:
        rehearsal.chamber = rehearsal.probes.ahead.chamber = chamber  # type: ignore[assignment]
    began = time.process_time()
    rehearsal.run()
    return time.process_time() - began, rehearsal


def against_scipy() -> None:
    """A whole day with its swaps in CPU time: our step, and solve_ivp in its place.

    Tables of the plant are filled by a day before. solve_ivp goes from tick to tick, as a loop
    that asks it for the state at every tick must; and once in our own steps.
    """
    spec = read_settings(CONFIG).plant_spec()
    start = {"air_c": 16.5, "reservoir_c": 6.0, "room_c": 24.0}
    ours = LumpedChamber(Plant(spec), **start)
    _run(1.0, ours)
    ours_s, ran = _run(1.0, ours)
    say("a day, full loop, our step (CPU)", f"{1 / ours_s:.1f} days/s, {len(ran.swaps)} swaps")
    for label, step_s in (("from tick to tick", 5.0), ("in our own steps", 60.0)):
        theirs_s, ran = _run(1.0, ScipyChamber(spec, step_s=step_s, **start), fast=step_s > 5.0)
        say(
            f"the same loop, solve_ivp {label} (CPU)",
            f"{1 / theirs_s:.2f} days/s, {len(ran.swaps)} swaps, ratio {theirs_s / ours_s:.0f}",
        )
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
    began = time.process_time()
    result = scipy_run(plant, state, course)
    events_s = time.process_time() - began
    say(
        "scipy alone, ideal relay by events, tolerance 1e-8 (CPU)",
        f"{1 / events_s:.2f} days/s ({len(result.switches_s)} switches)",
    )


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
    """Time and memory from one day to many: a straight line, and no line at all.

    Each length runs in a process of its own that imports what a rehearsal needs and nothing else.
    """
    for days in (1, longest // 4, longest):
        done = subprocess.run(
            [sys.executable, "-c", _ONE_RUN, str(days)], check=True, capture_output=True, text=True
        )
        cpu_s, most_mb = done.stdout.split()
        say(f"{days} days, the rehearsal alone (CPU)", f"{cpu_s} s, most memory {most_mb} MB")


_ONE_RUN = """
import pathlib, sys, time
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
rehearsal = Rehearsal(
    read_settings(shipped_config("larkmoor-laptop.toml")),
    read_scenario(shipped_config("scenarios") / "calm-day.toml"),
    days=float(sys.argv[1]),
)
began = time.process_time()
rehearsal.run()
status = pathlib.Path("/proc/self/status").read_text()  # ru_maxrss keeps the parent's peak
most = int(status.split("VmHWM:")[1].split()[0]) // 1024
print(f"{time.process_time() - began:.1f} {most}")
"""

if __name__ == "__main__":
    main()
