"""How the alarms of a span behaved: how many a day, which chatter, which are active for longest.

ISA-18.2 and IEC 62682 (management of alarm systems) ask for these figures, so that whoever owns the
alarms can tune them. A control room calls three raises within a minute chattering; the alarms of a
chamber have delays of minutes, so here it is three within an hour (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

CHATTERING_COUNT = 3
CHATTERING_WITHIN = timedelta(hours=1)
LONG_ACTIVE = timedelta(days=1)
"""An alarm that is active for longer is called stale by the standards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastAlarm:
    """An alarm and how long it was active."""

    name: str
    about: str
    raised: datetime
    cleared: datetime | None
    """None: it still is."""

    def lasted(self, until: datetime) -> timedelta:
        """Return for how long, up to an instant."""
        return max(timedelta(), (until if self.cleared is None else self.cleared) - self.raised)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFigures:
    """One alarm of one probe or load over a span."""

    name: str
    about: str
    count: int
    """How often it was raised within the span."""
    chattering: bool
    """Whether it was raised again and again within an hour."""
    longest_s: float
    """Its longest time active, also from before the span on [s]."""
    still_active: bool

    @property
    def stale(self) -> bool:
        """Whether it was active for more than a day."""
        return self.longest_s > LONG_ACTIVE.total_seconds()


def alarm_figures(
    alarms: Sequence[PastAlarm], *, since: datetime, until: datetime
) -> tuple[AlarmFigures, ...]:
    """Return the figures of each alarm of a span, the most frequent first.

    Args:
        alarms: Those that were active within the span.
        since: Begin of the span, aware.
        until: End of the span, aware.
    """
    by_key: dict[tuple[str, str], list[PastAlarm]] = {}
    for each in alarms:
        by_key.setdefault((each.name, each.about), []).append(each)
    figures = [
        AlarmFigures(
            name=name,
            about=about,
            count=sum(since <= each.raised < until for each in of_one),
            chattering=_chatters([each.raised for each in of_one]),
            longest_s=max(each.lasted(until).total_seconds() for each in of_one),
            still_active=any(each.cleared is None for each in of_one),
        )
        for (name, about), of_one in by_key.items()
    ]
    return tuple(sorted(figures, key=lambda each: (-each.count, -each.longest_s)))


def _chatters(raised: Sequence[datetime]) -> bool:
    ordered = sorted(raised)
    last_of = ordered[CHATTERING_COUNT - 1 :]
    return any(
        last - first < CHATTERING_WITHIN for first, last in zip(ordered, last_of, strict=False)
    )
