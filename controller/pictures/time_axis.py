"""Instants along a picture: one offset from UTC for all of it, and where to put the hours.

One offset for a whole picture, so that an hour that comes twice when clocks are set back is drawn
twice, and no line runs backward.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
_STEPS_S = (
    MINUTE_S, 5 * MINUTE_S, 15 * MINUTE_S, HOUR_S, 2 * HOUR_S, 3 * HOUR_S, 6 * HOUR_S,
    12 * HOUR_S, DAY_S, 2 * DAY_S, 7 * DAY_S, 14 * DAY_S,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A mark on the axis of time."""

    at_s: float
    """Seconds since 1970, UTC."""
    text: str


class TimeAxis:
    """From one instant to another, as clocks show them at the end of the picture."""

    def __init__(self, since_s: float, until_s: float, zone: tzinfo | None) -> None:
        """Take the two ends.

        Args:
            since_s: First instant [s since 1970, UTC].
            until_s: Last instant, after the first.
            zone: The zone to show times in; None: the machine's.

        Raises:
            ValueError: The two are not in order.
        """
        if not since_s < until_s:
            raise ValueError(f"a picture needs time: it goes from {since_s} s to {until_s} s")
        self.since_s, self.until_s = since_s, until_s
        self._zone = timezone(_offset(until_s, zone))
        self._changes = _offset(since_s, zone) != _offset(until_s, zone)

    @property
    def note(self) -> str:
        """Which offset holds, where clocks are set inside the picture; else empty."""
        if not self._changes:
            return ""
        return f"clocks change in here; all times {self._zone.tzname(None)}"

    def share(self, at_s: float) -> float:
        """Return how far along an instant lies, 0 to 1 inside the picture."""
        return (at_s - self.since_s) / (self.until_s - self.since_s)

    def local(self, at_s: float) -> datetime:
        """Return an instant [s since 1970, UTC] as the picture's clock shows it."""
        return datetime.fromtimestamp(at_s, self._zone)

    def ticks(self, most: int) -> list[Tick]:
        """Return where to mark the time, at round hours, days or months.

        Args:
            most: How many marks there is room for, 1 or more.
        """
        length_s = self.until_s - self.since_s
        step_s = next((step for step in _STEPS_S if length_s / step <= most), None)
        if step_s is None:
            return list(self._months(most))
        pattern = "%H:%M" if step_s < DAY_S else "%a %-d" if length_s < 14 * DAY_S else "%-d %b"
        at = self.local(self.since_s).replace(hour=0, minute=0, second=0, microsecond=0)
        first_s = at.timestamp()
        number = -(-(self.since_s - first_s) // step_s)
        ticks = []
        while (at_s := first_s + number * step_s) <= self.until_s:
            local = self.local(at_s)
            midnight = (local.hour, local.minute) == (0, 0)
            text = f"{local:%a %-d}" if midnight and step_s < DAY_S else f"{local:{pattern}}"
            ticks.append(Tick(at_s=at_s, text=text))
            number += 1
        return ticks

    def _months(self, most: int) -> Iterator[Tick]:
        every = max(1, -(-int((self.until_s - self.since_s) / (30.4 * DAY_S)) // most))
        at = self.local(self.since_s).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        pattern = "%b" if every < 6 else "%b %Y"
        while at.timestamp() <= self.until_s:
            if at.timestamp() >= self.since_s and (at.month - 1) % every == 0:
                yield Tick(at_s=at.timestamp(), text=f"{at:{pattern}}")
            at = (at + timedelta(days=32)).replace(day=1)


def _offset(at_s: float, zone: tzinfo | None) -> timedelta:
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone).utcoffset() or timedelta()
