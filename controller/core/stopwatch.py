"""Timers of protections: a missing reading stops them, only evidence resets them."""

from __future__ import annotations

from typing import NamedTuple


class Stopwatch(NamedTuple):
    """For how long something has been so, without the time in which nobody knew."""

    before_s: float = 0.0
    """Counted before it was last started [s]."""
    since: float | None = None
    """Running since this instant [s]; None: it stands."""

    def elapsed_s(self, now: float) -> float:
        """Return the time counted so far [s]."""
        return self.before_s if self.since is None else self.before_s + (now - self.since)

    def timed(self, condition: bool | None, now: float) -> Stopwatch:
        """Return the watch from *now* on.

        Args:
            condition: Whether what it times is so; None, not known, stops it where it is.
            now: Monotonic instant [s].
        """
        if condition is False:
            return RESET
        if condition is None:
            return self if self.since is None else Stopwatch(self.elapsed_s(now))
        return self if self.since is not None else Stopwatch(self.before_s, now)

    def reaches(self, limit_s: float) -> float | None:
        """Return when it will have counted *limit_s* [s]; None while it stands."""
        return None if self.since is None else self.since + (limit_s - self.before_s)


RESET = Stopwatch()
"""Nothing counted, standing."""
