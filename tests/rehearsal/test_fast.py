"""The fast way of a rehearsal is held against the slow one, which turns every tick of the loop."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from random import Random

import pytest

from controller.core.law import Band, Law
from controller.core.state import Decision, Inputs
from controller.domain.temperatures import Seen
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.law_of import BandSchedule, law_of, schedule_of
from controller.settings.load import Settings, read_settings
from controller.settings.scenario_file import ScenarioFile
from controller.settings.shipped import shipped_config
from controller.thermal.specs import PlantSpec

SETTINGS = read_settings(shipped_config("larkmoor-laptop.toml"))


Readings = dict[float, tuple[int | str, ...]]


class Drawn:
    """A chamber, a law, a band, a person and trouble, drawn at random."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.random = Random(seed)
        self.days = self.random.uniform(0.2, 0.6)
        self.plant = self._plant()
        self.law = self._law()
        self.schedule = self._schedule()
        self.settings = self._settings()
        self.scenario = self._scenario()
        self.swap_at_c = self.random.choice([None, self.random.uniform(8.0, 14.0)])

    def _settings(self) -> Settings:
        draw = self.random
        simulation = SETTINGS.simulation.model_copy(
            update={
                "probe_noise": draw.choice([0, 5, 20, 60, 200]),
                "air_probe_lag": draw.choice([0.0, 20.0, 45.0, 180.0]),
                "water_probe_lag": draw.choice([0.0, 20.0, 90.0]),
                "start_air": draw.randint(12_000, 22_000),
                "start_reservoir": draw.randint(1_000, 14_000),
            }
        )
        tick_s = draw.choice([1.0, 2.0, 5.0, 7.0, 10.0])
        readings = SETTINGS.readings.model_copy(
            update={
                "every": draw.choice([5.0, 10.0, 15.0, 4.0]),
                "median_of": draw.choice([1, 3, 3, 5]),
            }
        )
        probes = SETTINGS.probes
        if draw.random() < 0.3:
            probes = probes.model_copy(update={"coil_outlet": probes.room})
        if draw.random() < 0.3:
            probes = probes.model_copy(
                update={"air": probes.air.model_copy(update={"offset": draw.randint(-900, 900)})}
            )
        return SETTINGS.model_copy(
            update={
                "simulation": simulation,
                "timing": SETTINGS.timing.model_copy(update={"tick": tick_s}),
                "readings": readings,
                "probes": probes,
            }
        )

    def _plant(self) -> PlantSpec:
        plant, draw = SETTINGS.plant_spec(), self.random
        return replace(
            plant,
            chamber=replace(
                plant.chamber,
                volume_m3=draw.uniform(0.1, 1.0),
                humidifier_kg_per_h=draw.choice([0.0, 0.06, 0.4]),
                air_changes_per_h=draw.uniform(0.5, 6.0),
            ),
            coil=replace(
                plant.coil, ua_air_w_k=draw.uniform(3.0, 25.0), air_kg_s=draw.uniform(0.006, 0.03)
            ),
            packs=replace(plant.packs, kg=draw.uniform(0.3, 1.5)),
            room=replace(plant.room, day_c=draw.uniform(22.0, 34.0)),
        )

    def _law(self) -> Law:
        law, draw = law_of(SETTINGS), self.random
        prime_s = draw.choice([0.0, 10.0])
        return replace(
            law,
            timing=replace(
                law.timing,
                prime_s=prime_s,
                lead_s=draw.choice([0.0, 90.0]),
                minimum_run_s=draw.choice([20.0, 60.0, 300.0]),
                anti_short_cycle_s=draw.choice([60.0, 180.0, 480.0]),
                run_on_s=draw.choice([0.0, 20.0]),
            ),
        )

    def _schedule(self) -> BandSchedule:
        draw = self.random
        cut_out_mc = draw.randint(13_000, 16_500)
        cut_in_mc = cut_out_mc + draw.randint(300, 2_000)
        night = Band(cut_in_mc - 500, cut_out_mc - 500) if draw.random() < 0.5 else None
        return BandSchedule(Band(cut_in_mc, cut_out_mc), night, time(9, 40), time(13, 0, 3))

    def _scenario(self) -> ScenarioFile:
        draw = self.random
        faults = [
            {
                "kind": kind,
                "at": f"{draw.randint(0, 21_600)} s",
                "lasts": f"{draw.randint(30, 10_800)} s",
                **({"probe": draw.choice(["air", "reservoir"])} if kind == "dead_probe" else {}),
            }
            for kind in draw.choices(
                ["lost_prime", "dead_probe", "power_cut"], k=draw.randint(0, 2)
            )
        ]
        grower = {
            "wakes": time(6, 30),
            "sleeps": time(22, 30),
            "swaps_at": (time(draw.randint(7, 14), draw.randint(0, 59)),),
            "answers": ("reservoir_warm", "air_high", "flow_not_proved"),
            "comes_within": "20 min",
        }
        return ScenarioFile.model_validate(
            {
                "about": "drawn",
                "days": self.days,
                "starts": time(draw.randint(5, 9), draw.randint(0, 59)),
                "grower": grower,
                "faults": tuple(faults),
            }
        )

    def run(self, *, fast: bool) -> tuple[Rehearsal, Readings]:
        turned = _Turned()
        made = Rehearsal(
            self.settings, self.scenario, seed=self.seed, plant=self.plant, law=self.law,
            schedule=self.schedule, swap_at_c=self.swap_at_c, keep_switches=True, fast=fast,
            journal=turned,
        )  # fmt: skip
        made.run()
        return made, turned.readings


class _Turned:
    """Notes what every turned tick was decided from."""

    def __init__(self) -> None:
        self.readings: Readings = {}

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        del decision
        self.readings[now] = tuple(
            reading.value_mc if isinstance(reading, Seen) else "lost"
            for reading in (inputs.air, inputs.reservoir, inputs.room, inputs.coil_outlet)
            if reading is not None
        )


@pytest.mark.parametrize("seed", [*range(20), 106, 133])
def test_both_ways_switch_at_the_same_times_for_the_same_readings(seed: int) -> None:
    """Over chambers, bands, timers, probes, people, faults and seeds, to the last digit.

    The readings of every tick that the fast way turned are those that the slow way had then. In the
    last two a person comes, or the band changes, in the middle of a step of the chamber.
    """
    slow, slow_turned = Drawn(seed).run(fast=False)
    fast, fast_turned = Drawn(seed).run(fast=True)

    assert fast.tally.switches == slow.tally.switches
    assert fast.tally.alarms == slow.tally.alarms
    assert fast.swaps == slow.swaps
    assert fast.tally.half_hours == slow.tally.half_hours
    assert (fast.tally.air_c, fast.tally.reservoir_c) == (slow.tally.air_c, slow.tally.reservoir_c)
    assert fast.chamber.account() == slow.chamber.account()
    assert fast_turned == {now: slow_turned[now] for now in fast_turned}
    assert len(fast_turned) <= len(slow_turned)


def test_most_ticks_of_an_ordinary_day_are_passed_over() -> None:
    """Fewer than one in fifteen is turned, and the day is the same."""
    drawn = Drawn(0)
    drawn.settings, drawn.plant, drawn.law = SETTINGS, SETTINGS.plant_spec(), law_of(SETTINGS)
    drawn.schedule = schedule_of(SETTINGS.stages["fruiting"])
    drawn.scenario = drawn.scenario.model_copy(update={"faults": (), "days": 1.0})

    slow, slow_turned = drawn.run(fast=False)
    fast, fast_turned = drawn.run(fast=True)

    assert fast.tally.switches == slow.tally.switches
    assert fast.tally.starts > 20
    assert len(fast_turned) < len(slow_turned) / 15
