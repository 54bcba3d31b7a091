"""What people are told in a rehearsal; who decides what is told is handed in from outside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from controller.domain.requests import LoggedSwap
from controller.domain.status import Status
from controller.foresight.forecast import Forecast
from controller.foresight.swap_plan import SwapPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
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
class Word:
    """Something that people are told."""

    about: str
    """The alarm's name, ``silent`` or ``summary``."""
    text: str
    urgent: bool


class Teller(Protocol):
    """Decides what is told, once a simulated minute."""

    def __call__(self, look: Look) -> Sequence[Word]:
        """Return what people are told at this moment."""


class Hearing:
    """What was told so far, and what of it calls the person."""

    def __init__(self) -> None:
        self.notices: list[dict[str, float | str | bool]] = []
        """For the document of the rehearsal."""
        self._told: set[str] = set()
        self._woken: set[str] = set()

    def take(self, words: Sequence[Word], at_s: float, *, asleep: bool) -> None:
        """Take note of what was told at an instant [s since the start]."""
        for word in words:
            self._told.add(word.about)
            if asleep:
                self._woken.add(word.about)
            self.notices.append(
                {"t_s": at_s, "about": word.about, "urgent": word.urgent, "text": word.text}
            )

    def calls(self, standing: frozenset[str]) -> tuple[frozenset[str], frozenset[str]]:
        """Return the names of what the person knows to be wrong, and of what woke them.

        Args:
            standing: Alarms that stand, known or not.
        """
        still = standing | {"swap_due"}  # told by its leads, until packs are changed
        self._told &= still
        self._woken &= still
        return frozenset(self._told), frozenset(self._woken)

    def swapped(self) -> None:
        """Forget what was told of the packs that are out now."""
        self._told.discard("swap_due")
        self._woken.discard("swap_due")
