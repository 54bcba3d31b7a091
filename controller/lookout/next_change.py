"""The next pack change: what to do by when, by the early bound; the same at every door.

The time to act comes first, the interval second: packs are changed before the cold may run out, not
when it most likely does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from controller.domain.published_forecast import WITHIN_H, PlannedChange, PublishedForecast
from controller.domain.requests import SWAP_AHEAD, LoggedSwap
from controller.pictures.words import duration, moment, pack_count

JUST_LOGGED = timedelta(minutes=15)
"""A change that was logged after the forecast was made, and no longer ago than this, is being
worked out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NextChange:
    """What to do about the packs, in words."""

    do: str
    """What to do by when, in one sentence."""
    lasts: str
    """Until when the cold should last, in one sentence; empty: not known."""
    left: str
    """How much of the cold is left, in per cent and hours; empty: not known."""
    left_share: float | None
    """The same as a share, 0 to 1."""
    by: datetime | None
    """The time to act, aware; None: none is known."""
    packs: int | None
    why: str
    """Why then; empty: for no other reason than the cold."""


def next_change(
    forecast: PublishedForecast | None, last_swap: LoggedSwap | None, now: datetime
) -> NextChange:
    """Return the next pack change.

    Args:
        forecast: The newest; None: there is none.
        last_swap: The last change that was logged.
        now: Now, in the zone to speak in.
    """
    if forecast is None or not forecast.known:
        if last_swap is None:
            return _nothing("No forecast yet. Log your first pack change to start it.")
        notes = "" if forecast is None else "; ".join(forecast.notes)
        why = f" {notes[:1].upper()}{notes[1:]}." if notes else ""
        return _nothing(f"No forecast yet.{why}")
    if is_of_old_packs(forecast, last_swap, now):
        assert last_swap is not None
        at = moment(last_swap.at, now, far=False)
        return _nothing(f"Working out how long the packs of {at} will last.")
    share = forecast.reserve_share
    left = ""
    if share is not None:
        left = f"About {100 * share:.0f} % of this set's cold is left"
        hours = _hours_left(forecast, now)
        left += f", some {hours}." if hours else "."
    planned = forecast.plan[0] if forecast.plan else None
    return NextChange(
        do=what_to_do(forecast.plan, forecast.early, now),
        lasts=how_long(forecast.early, forecast.swap_due, now),
        left=left,
        left_share=share,
        by=planned.at if planned is not None else forecast.early,
        packs=None if planned is None else planned.packs,
        why="" if planned is None else planned.why,
    )


def _nothing(words: str) -> NextChange:
    return NextChange(
        do=words, lasts="", left="", left_share=None, by=None, packs=None, why=""
    )  # fmt: skip


def is_of_old_packs(
    forecast: PublishedForecast, last_swap: LoggedSwap | None, now: datetime
) -> bool:
    """Return whether a forecast is of packs that have just been taken out.

    Args:
        forecast: The newest.
        last_swap: The last change that was logged.
        now: Now, aware.
    """
    if last_swap is None or now - last_swap.logged_at > JUST_LOGGED:
        return False
    return forecast.as_of < last_swap.logged_at and last_swap.at <= now + SWAP_AHEAD


def what_to_do(plan: Sequence[PlannedChange], early: datetime | None, now: datetime) -> str:
    """Return what to do by when, in one sentence; something is known.

    Args:
        plan: The changes that are planned, the first one first.
        early: One time in ten the cold ends before this; None: not within `WITHIN_H` hours.
        now: Now, in the zone to speak in.
    """
    if plan:
        planned = plan[0]
        packs = pack_count(planned.packs)
        if planned.at <= now:
            return f"Change {packs} now."
        at = moment(planned.at, now, far=False)
        if early is not None and planned.at > early:
            if early <= now:
                return f"Change {packs} at {at}: the cold may be gone already."
            return (
                f"Change {packs} at {at}; the cold may run out before, "
                f"from {moment(early, now, far=False)}."
            )
        return f"Change {packs} by {at}."
    if early is None:
        return f"No pack change within the next {WITHIN_H} hours."
    if early <= now:
        return "Change the packs now."
    return f"Change the packs by {moment(early, now, far=False)}."


def how_long(early: datetime | None, likely: datetime | None, now: datetime) -> str:
    """Return until when the cold should last, in one sentence; empty: not known.

    Args:
        early: One time in ten it ends before this; None: not known.
        likely: Its most likely end; None: not known.
        now: Now, in the zone to speak in.
    """
    if early is None or likely is None:
        return "" if early is None else (
            f"The cold should last until {moment(early, now, far=False)}."
        )  # fmt: skip
    if likely <= now:
        return "The cold has most likely run out."
    most = f"most likely until {moment(likely, now, far=False)}"
    if early <= now:
        return f"The cold may run out at any time; {most}."
    return f"The cold should last until {moment(early, now, far=False)}, {most}."


def _hours_left(forecast: PublishedForecast, now: datetime) -> str:
    if forecast.swap_due is None:
        return f"more than {WITHIN_H} hours"
    left_s = (forecast.swap_due - now).total_seconds()
    if left_s <= 0:
        return ""
    hours = round(left_s / 3600)
    if hours < 2:
        return duration(60.0 * round(left_s / 60))
    return f"{hours} hours"
