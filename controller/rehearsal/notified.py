"""Notices to the person of a rehearsal; what decides on them is handed in from outside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from controller.domain.requests import LoggedSwap
    from controller.domain.status import Status
    from controller.foresight.forecast import Forecast
    from controller.foresight.swap_plan import SwapPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideView:
    """How the chamber is, as far as another process could see it."""

    now: datetime
    """Simulated time, aware."""
    status: Status
    last_swap: LoggedSwap | None
    forecast: Forecast | None
    """The newest one; None until there is one."""
    plan: SwapPlan | None
    """What follows from it; None where nothing is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notification:
    """A notice as the person of a rehearsal gets it."""

    about: str
    """The alarm's name, ``silent`` or ``summary``."""
    text: str
    urgent: bool


class NoticeSource(Protocol):
    """Decides on notices, once a simulated minute."""

    def __call__(self, view: OutsideView) -> Sequence[Notification]:
        """Return what people are notified of at this moment."""


class NotifiedPerson:
    """What the person was notified of, and what of it makes them come."""

    def __init__(self) -> None:
        self.notices: list[dict[str, float | str | bool]] = []
        """For the document of the rehearsal."""
        self._known: set[str] = set()
        self._woken: set[str] = set()

    def take(self, notifications: Sequence[Notification], at_s: float, *, asleep: bool) -> None:
        """Keep what was notified at an instant [s since the start]."""
        for each in notifications:
            self._known.add(each.about)
            if asleep:
                self._woken.add(each.about)
            self.notices.append(
                {"t_s": at_s, "about": each.about, "urgent": each.urgent, "text": each.text}
            )

    def calls(self, standing: frozenset[str]) -> tuple[frozenset[str], frozenset[str]]:
        """Return the names of what the person knows to be wrong, and of what woke them.

        Args:
            standing: Alarms that stand, known or not.
        """
        still = standing | {"swap_due"}  # notified by its leads, until packs are changed
        self._known &= still
        self._woken &= still
        return frozenset(self._known), frozenset(self._woken)

    def swapped(self) -> None:
        """Forget the notices of the packs that are out now."""
        self._known.discard("swap_due")
        self._woken.discard("swap_due")
