"""One offset from UTC for a whole picture, so that an hour that comes twice is drawn twice.

The library that draws knows no zones: it places what a clock shows. Where clocks are set back
inside a picture, two instants show the same time, and lines would run backward.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, timezone, tzinfo


class TimeAxis:
    """Instants as the clocks show them at the end of a picture."""

    def __init__(self, instants_s: Iterable[float], zone: tzinfo | None) -> None:
        """Look at how far a picture goes.

        Args:
            instants_s: Among them its first and its last instant [s since 1970, UTC].
            zone: The zone to show times in; None: the machine's.
        """
        found = list(instants_s)
        first, last = (min(found), max(found)) if found else (0.0, 0.0)
        self._zone = timezone(_offset(last, zone))
        self._changes = _offset(first, zone) != _offset(last, zone)

    def when(self, at_s: float) -> str:
        """Return an instant [s since 1970, UTC] as text without an offset."""
        shown = datetime.fromtimestamp(at_s, self._zone).replace(tzinfo=None)
        return shown.isoformat(sep=" ", timespec="seconds")

    @property
    def layout(self) -> dict[str, object]:
        """What the axis says of itself: which offset holds, where clocks are set inside it."""
        if not self._changes:
            return {}
        text = f"clocks change in here; all times {self._zone.tzname(None)}"
        return {"title": {"text": text, "font": {"size": 11}}}


def _offset(at_s: float, zone: tzinfo | None) -> timedelta:
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone).utcoffset() or timedelta()
