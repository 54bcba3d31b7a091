"""The rehearsal's cycle against the exact one of a relay on a first-order plant.

Source: the relay with hysteresis on a first-order plant has a closed form (Åström and Murray,
Feedback Systems, 2nd ed.; own derivation from the exponential): with equilibria T_off and T_on,
time constant tau, dead time L and switching points T_H and T_L
    T_max = T_off - (T_off - T_H) e^(-L/tau),  T_min = T_on + (T_L - T_on) e^(-L/tau)
    t_on  = L + tau ln((T_max - T_on) / (T_L - T_on))
    t_off = L + tau ln((T_off - T_min) / (T_off - T_H))

A probe answers in steps of 1/16 K and rounds to the nearest, so a point that lies on a step is
reached half a step early: the law sees cut-in at T_H - 1/32 K and cut-out at T_L + 1/32 K.

A loop that looks once a tick sees a crossing up to a tick late, which acts like so much more dead
time. So the exact answer lies between the formula with L and with L + tick, and what is measured
must lie within one tick of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import Settings, read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config
from controller.thermal.first_order import FirstOrderSpec
from tests.support.limit_cycle import limit_cycle

TICK_S = 1.0
HALF_STEP_K = 1 / 32


@dataclass(frozen=True)
class Plant:
    off_c: float
    on_c: float
    tau_s: float
    cut_in_c: float
    cut_out_c: float
    dead_s: float = 0.0
    minimum_run_s: float = 10.0
    anti_short_cycle_s: float = 30.0

    def settings(self, folder: Path) -> Settings:
        path = folder / "first-order.toml"
        path.write_text(
            f"""
[chamber]
name = "exact"
stage = "band"
[stages.band]
cut_in = "{self.cut_in_c} C"
cut_out = "{self.cut_out_c} C"
[timing]
tick = "{TICK_S} s"
minimum_run = "{self.minimum_run_s} s"
anti_short_cycle = "{self.anti_short_cycle_s} s"
prime = "0 s"
run_on = "0 s"
[limits]
low_limit = "1 C"
air_high = "34 C"
reservoir_margin = "0.5 K"
[readings]
every = "{TICK_S} s"
median_of = 1
[flow_proof]
after = "2 h"
[probes.air]
kind = "simulated"
[probes.reservoir]
kind = "simulated"
[loads.pump]
driver = "dry"
supply = "12 V DC"
current = "1 A"
load_kind = "motor"
[loads.fan]
driver = "dry"
supply = "12 V DC"
current = "1 A"
load_kind = "motor"
[simulation]
plant = "first-order"
probe_noise = "0 K"
air_probe_lag = "0 s"
water_probe_lag = "0 s"
start_air = "{(self.cut_in_c + self.cut_out_c) / 2} C"
start_reservoir = "0 C"
warm_end = "{self.off_c} C"
cold_end = "{self.on_c} C"
time_constant = "{self.tau_s} s"
dead_time = "{self.dead_s} s"
""",
            encoding="utf-8",
        )
        return read_settings(path)


PLANTS = {
    "slow": Plant(25, 5, 3600, 17.5, 16.5),
    "slow-with-dead-time": Plant(25, 5, 3600, 17.5, 16.5, dead_s=120),
    "quick": Plant(25, -5, 1800, 18, 16),
    "quick-with-dead-time": Plant(25, -5, 1800, 18, 16, dead_s=60),
    "narrow-with-dead-time": Plant(24, 9, 2700, 17.25, 16.75, dead_s=90),
    "minimum-run-binds": Plant(25, 5, 3600, 17.5, 16.5, minimum_run_s=600),
    "rest-binds": Plant(25, 5, 3600, 17.5, 16.5, anti_short_cycle_s=600),
    "both-bind": Plant(25, 5, 3600, 17.5, 16.5, minimum_run_s=600, anti_short_cycle_s=1800),
}


def last_cycle(settings: Settings) -> tuple[float, float]:
    """Return on and off time of the last whole cycle of a long rehearsal [s]."""
    scenario = read_scenario(shipped_config("scenarios") / "calm-day.toml")
    rehearsal = Rehearsal(settings, scenario, days=0.25, keep_switches=True)
    rehearsal.run()
    times = [switch["t_s"] for switch in rehearsal.tally.switches]
    on = [switch["pump"] for switch in rehearsal.tally.switches]
    start = max(at for at in range(len(on) - 2) if on[at])
    return times[start + 1] - times[start], times[start + 2] - times[start + 1]


def closed_form(plant: Plant, late_s: float) -> tuple[float, float]:
    """Return (t_on, t_off) of the formula in this file's docstring, no timer binding."""
    dead_s = plant.dead_s + late_s
    high_c, low_c = plant.cut_in_c - HALF_STEP_K, plant.cut_out_c + HALF_STEP_K
    late = math.exp(-dead_s / plant.tau_s)
    most_c = plant.off_c - (plant.off_c - high_c) * late
    least_c = plant.on_c + (low_c - plant.on_c) * late
    on_s = dead_s + plant.tau_s * math.log((most_c - plant.on_c) / (low_c - plant.on_c))
    off_s = dead_s + plant.tau_s * math.log((plant.off_c - least_c) / (plant.off_c - high_c))
    return on_s, off_s


@pytest.mark.parametrize("name", [name for name in PLANTS if "bind" not in name])
def test_cycle_is_the_formulas_within_a_tick(tmp_path: Path, name: str) -> None:
    """On time, off time and period of the whole loop, where the band alone sets them."""
    plant = PLANTS[name]

    on_s, off_s = last_cycle(plant.settings(tmp_path))

    (on_0_s, off_0_s), (on_1_s, off_1_s) = closed_form(plant, 0.0), closed_form(plant, TICK_S)
    assert on_0_s - TICK_S <= on_s <= on_1_s + TICK_S
    assert off_0_s - TICK_S <= off_s <= off_1_s + TICK_S
    assert on_0_s + off_0_s - TICK_S <= on_s + off_s <= on_1_s + off_1_s + TICK_S


@pytest.mark.parametrize("name", list(PLANTS))
def test_cycle_is_the_models_with_and_without_binding_timers(tmp_path: Path, name: str) -> None:
    """The same against the package's own formula, which knows the timers."""
    plant = PLANTS[name]
    prompt, late = (
        limit_cycle(
            FirstOrderSpec(
                off_c=plant.off_c,
                on_c=plant.on_c,
                tau_s=plant.tau_s,
                dead_time_s=plant.dead_s + late_s,
            ),
            cut_in_c=plant.cut_in_c - HALF_STEP_K,
            cut_out_c=plant.cut_out_c + HALF_STEP_K,
            minimum_run_s=plant.minimum_run_s,
            anti_short_cycle_s=plant.anti_short_cycle_s,
        )
        for late_s in (0.0, TICK_S)
    )

    on_s, off_s = last_cycle(plant.settings(tmp_path))

    assert min(prompt.on_s, late.on_s) - TICK_S <= on_s <= max(prompt.on_s, late.on_s) + TICK_S
    assert min(prompt.off_s, late.off_s) - TICK_S <= off_s
    assert off_s <= max(prompt.off_s, late.off_s) + TICK_S
