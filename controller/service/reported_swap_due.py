"""Whether packs are due, as the lookout reported it: a report that ends by itself."""

from __future__ import annotations


class ReportedSwapDue:
    """The last report; it holds until its end and is renewed long before.

    A lookout that has died renews nothing. Then it is not known whether packs are due, and neither
    a call to change them nor its absence outlives the process that said so.
    """

    def __init__(self) -> None:
        """Know nothing."""
        self._due: bool | None = None
        self._until_s = 0.0

    def take(self, due: bool, until_s: float) -> None:
        """Take a report.

        Args:
            due: Whether packs are due.
            until_s: When the report ends, on the boot-time clock [s].
        """
        self._due, self._until_s = due, until_s

    def at(self, boottime_s: float) -> bool | None:
        """Return whether packs are due at an instant of the boot-time clock; None: not known."""
        return self._due if boottime_s <= self._until_s else None
