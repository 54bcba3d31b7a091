"""The same days under several controls, in figures that can be set side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.tally import HALF_HOUR_S, HOUR_S, HalfHour

IN_TIME_S = 1800.0
"""A warning this long before the air is too warm leaves time to change packs [s]."""
LONG_AGO_S = 6 * HOUR_S
"""A warning longer ago than this is not about what comes now [s]."""
WARNS_OF_HEAT = frozenset({"swap_due", "reservoir_warm", "air_high"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one control made of the days."""

    starts: int
    shortest_run_s: float | None
    shortest_rest_s: float | None
    in_band_share: float
    above_k_h: float
    below_k_h: float
    over_1k_h: float
    """Hours with the air more than 1 K above cut-in."""
    packs_used: int
    warm_spells: int
    """Times the air became too warm, for half an hour or longer."""
    warned_in_time: int
    """Of these, how many came half an hour or more after an alarm or a notice."""


def outcome_of(rehearsal: Rehearsal) -> Outcome:
    """Return what a rehearsal that has been run came to."""
    tally = rehearsal.tally
    warnings_s = [alarm.raised_t_s for alarm in tally.alarms if alarm.name in WARNS_OF_HEAT]
    warnings_s += [float(notice["t_s"]) for notice in rehearsal.lookout.notices]
    spells_s = warm_spells_s(tally.half_hours)
    return Outcome(
        starts=tally.starts,
        shortest_run_s=tally.shortest_run_s,
        shortest_rest_s=tally.shortest_rest_s,
        in_band_share=tally.in_band_share,
        above_k_h=tally.degree_hours_above,
        below_k_h=tally.degree_hours_below,
        over_1k_h=tally.over_1k_s / HOUR_S,
        packs_used=rehearsal.packs_used,
        warm_spells=len(spells_s),
        warned_in_time=sum(
            any(at_s - LONG_AGO_S <= warned_s <= at_s - IN_TIME_S for warned_s in warnings_s)
            for at_s in spells_s
        ),
    )


def warm_spells_s(half_hours: Sequence[HalfHour]) -> list[float]:
    """Return when each spell of too warm air began [s since the start].

    A spell is half an hour or more of which the air is beyond the band for half the time.
    """
    began = []
    previously_warm = False
    for number, each in enumerate(half_hours):
        warm = each.above_s > 0.5 * each.lasted_s
        if warm and not previously_warm:
            began.append(number * HALF_HOUR_S)
        previously_warm = warm
    return began
