"""A season in short: week by week, how the crop fared and what it took."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.tally import HalfHour

DAY_S = 86_400.0
HALF_HOURS_A_DAY = 48


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """Up to seven days of a rehearsal."""

    first: date
    days: int
    in_band_share: float
    """As for a whole rehearsal: half a kelvin beyond a switching point still counts."""
    packs: int
    worst_day: date
    """The day with the smallest share of time in band; the first of equals."""
    worst_day_share: float

    def document(self) -> dict[str, Any]:
        """Return the week for a JSON document; dates as month and day, for the year is none."""
        return {
            "first": f"{self.first:%m-%d}",
            "days": self.days,
            "in_band_share": round(self.in_band_share, 6),
            "packs": self.packs,
            "worst_day": f"{self.worst_day:%m-%d}",
            "worst_day_in_band_share": round(self.worst_day_share, 6),
        }


def weeks_of(rehearsal: Rehearsal) -> tuple[Week, ...]:
    """Return the weeks of a rehearsal that has run, from its first day on.

    Days are counted from the start of the run, each 24 hours long.
    """
    half_hours = rehearsal.tally.half_hours
    days = [
        half_hours[at : at + HALF_HOURS_A_DAY] for at in range(0, len(half_hours), HALF_HOURS_A_DAY)
    ]
    packs = [0] * len(days)
    for swap in rehearsal.swaps:
        packs[min(int(swap["t_s"] // DAY_S), len(days) - 1)] += int(swap["packs"])
    first = rehearsal.started.date()
    weeks = []
    for at in range(0, len(days), 7):
        shares = [_in_band_share(day) for day in days[at : at + 7]]
        worst = min(range(len(shares)), key=shares.__getitem__)
        weeks.append(
            Week(
                first=first + timedelta(days=at),
                days=len(shares),
                in_band_share=_in_band_share([each for day in days[at : at + 7] for each in day]),
                packs=sum(packs[at : at + 7]),
                worst_day=first + timedelta(days=at + worst),
                worst_day_share=shares[worst],
            )
        )
    return tuple(weeks)


def _in_band_share(half_hours: list[HalfHour]) -> float:
    lasted_s = sum(each.lasted_s for each in half_hours)
    return 1.0 - sum(each.above_s + each.below_s for each in half_hours) / lasted_s
