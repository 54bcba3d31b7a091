"""Hot days rehearsed for one build of the equipment: what planning reads its figures off.

No file is read or written and nothing is printed, so that a build can be changed and tried again
many times in one command.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import time

from controller.core.law import Law
from controller.errors import ScenarioError
from controller.rehearsal.hot_day_counter import DAY_S, Border, HotDayCounter
from controller.rehearsal.hot_day_figures import HotDays
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.room_file import RoomSeries
from controller.rehearsal.tally import HOUR_S
from controller.rehearsal.trace_row import TraceRow
from controller.settings.law_of import BandSchedule
from controller.settings.load import Settings
from controller.settings.scenario_file import GrowerScript, ScenarioFile
from controller.thermal.specs import PlantSpec

TRACE_EVERY_S = 300.0
ALWAYS_THERE = GrowerScript(wakes=time(0), sleeps=time(0))
"""Awake day and night, with no habit: changes packs when the water is spent."""


def hot_days(
    settings: Settings,
    *,
    plant: PlantSpec | None = None,
    schedule: BandSchedule | None = None,
    law: Law | None = None,
    days: float = 3.0,
    settling_days: float = 1.0,
    until_repeated: bool = False,
    until_steady: bool = False,
    border: Border | None = None,
    grower: GrowerScript = ALWAYS_THERE,
    swap_at_c: float | None = None,
    warmer_by_k: float = 0.0,
    room: RoomSeries | None = None,
    seed: int | None = None,
    trace: Callable[[TraceRow], None] | None = None,
    most_out_h: float = math.inf,
    most_above_k_h: float = math.inf,
) -> HotDays:
    """Rehearse days of one build and return what they came to.

    The days run on the service's own loop, as in ``coldpin rehearse``; the room is the plant's hot
    day (``[plant.room]``) each day, unless *room* gives another course.

    Args:
        settings: Everything that the other arguments do not replace.
        plant: Equipment to try; None: that of the settings.
        schedule: Switching points by the hour; None: those of the settings' stage.
        law: Timers and limits; None: those of the settings.
        days: Counted days [d], above 0.
        settling_days: Days before these, not counted [d]; 0 or more.
        until_repeated: Rehearse no further once a day repeats the one before it, pack changes and
            the packs in the freezer included; the days that are left are taken to repeat it too.
        until_steady: With *until_repeated*: rehearse no further either once days go on in band
            alike; then the pack changes of the days that are left are only about right.
        border: With *until_repeated*: near this share of time in band more days are rehearsed, so
            that those that are left cannot bring the whole to its other side.
        grower: When a person is there and changes packs.
        swap_at_c: Reservoir at or above which this person, when awake, also changes packs [°C],
            by the true temperature; None: only by habit and alarms.
        warmer_by_k: Added to the room [K].
        room: Course of the room; None: the plant's.
        seed: Seed of noise and person; None: that of the settings.
        trace: Is given a row every five minutes, the days before the counted ones included; the
            days come out the same without it.
        most_out_h: Days that are out of band for longer are not wanted, and end there [h].
        most_above_k_h: As are those with more degree-hours above cut-in [K·h].

    Raises:
        GivenUpError: The days are not wanted.
        ScenarioError: The days or the plant cannot be used.
    """
    if not (days > 0 and settling_days >= 0):
        raise ScenarioError(
            f"hot days: found {days:g} d after {settling_days:g} d to settle, allowed: above 0 d"
            " after 0 d or more"
        )
    settings = on_equipment(settings)
    scenario = hot_days_scenario(grower, days=days + settling_days, warmer_by_k=warmer_by_k)
    rehearsal = Rehearsal(
        settings,
        scenario,
        seed=seed,
        room=room,
        plant=plant,
        schedule=schedule,
        law=law,
        swap_at_c=swap_at_c,
        trace=trace,
        trace_every_s=TRACE_EVERY_S,
    )
    counter = HotDayCounter(
        from_s=settling_days * DAY_S,
        days=days,
        until_repeated=until_repeated,
        until_steady=until_steady,
        border=border,
        margin_k=rehearsal.law.limits.reservoir_margin_mk / 1000,
        most_out_s=most_out_h * HOUR_S,
        most_above_ks=most_above_k_h * HOUR_S,
    )
    rehearsal.observe(counter, from_s=counter.first_s)
    rehearsal.run()
    return counter.result(account=rehearsal.chamber.account(), alarms=rehearsal.tally.alarms)


def on_equipment(settings: Settings) -> Settings:
    """Return the settings with the equipment itself as the simulated plant.

    A ``first-order`` one has neither packs nor water, and says nothing of what equipment can hold.
    """
    chamber = settings.simulation.model_copy(update={"plant": "chamber"})
    return settings.model_copy(update={"simulation": chamber})


def hot_days_scenario(
    grower: GrowerScript = ALWAYS_THERE, *, days: float = 1.0, warmer_by_k: float = 0.0
) -> ScenarioFile:
    """Return the scenario of hot days: from midnight, with nothing that goes wrong.

    Args:
        grower: When a person is there and changes packs.
        days: Length [d].
        warmer_by_k: Added to the room [K].
    """
    return ScenarioFile.model_validate(
        {
            "about": "Hot days, and a person who changes packs when the water is spent: what"
            " `coldpin size` judges by.",
            "days": days,
            "starts": time(0),
            "room": {"warmer_by": (f"{warmer_by_k} K",) if warmer_by_k else ()},
            "grower": grower,
        }
    )
