"""Hot days by the way of `coldpin rehearse`, with its own count of what happened."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from controller.errors import ScenarioError
from controller.planning.build import DAYS, Build
from controller.planning.verdict import HOLDS_SHARE, LEAST_H
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import Settings
from controller.thermal.specs import PlantSpec

DAY_S = 86_400.0
HALF_HOURS_A_DAY = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class RehearsedSpell:
    """Ten hot days after one that is not counted."""

    in_band_share: float
    packs_per_day: float
    """From the first change to the last; over the days where there are fewer than two."""
    hours_per_set: float | None
    """None: fewer than two changes."""
    changes: int

    @property
    def holds(self) -> bool:
        """Whether air and person bear it, by the borders that sizing states."""
        return self.in_band_share >= HOLDS_SHARE and self.changes <= 24.0 / LEAST_H * DAYS


def rehearsed_spell(settings: Settings, plant: PlantSpec) -> RehearsedSpell | None:
    """Return what `coldpin rehearse --scenario hot-days` comes to; None: the air grew far too hot.

    Counted here from the tally of half-hours and the list of pack changes, as that command prints
    them; nothing of `rehearsal.hot_days` has a part in it.
    """
    build = Build(settings=settings, plant=plant)
    rehearsal = Rehearsal(settings, build.scenario(), plant=plant, swap_at_c=build.spent_c())
    try:
        rehearsal.run()
    except ScenarioError:
        return None
    counted = rehearsal.tally.half_hours[HALF_HOURS_A_DAY:]
    lasted_s = sum(each.lasted_s for each in counted)
    out_s = sum(each.above_s + each.below_s for each in counted)
    changes = [each for each in rehearsal.swaps if each["t_s"] >= DAY_S]
    packs_per_day, hours = sum(each["packs"] for each in changes) / DAYS, None
    if len(changes) > 1:
        lives_s = [after["t_s"] - before["t_s"] for before, after in pairwise(changes)]
        packs_per_day = sum(each["packs"] for each in changes[:-1]) / sum(lives_s) * DAY_S
        hours = sum(lives_s) / len(lives_s) / 3600.0
    return RehearsedSpell(
        in_band_share=1.0 - out_s / lasted_s,
        packs_per_day=packs_per_day,
        hours_per_set=hours,
        changes=len(changes),
    )
