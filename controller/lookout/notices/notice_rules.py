"""What the grower wants to be notified of, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from controller.domain.daytime import within
from controller.lookout.headline import AlarmLimits
from controller.lookout.page.front import limits_of
from controller.lookout.page_address import page_address
from controller.settings.load import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What the grower wants to be notified of, and when."""

    leads_s: Sequence[float]
    """How long before the early bound to say that packs are due [s]."""
    wakes: time
    sleeps: time
    alarms: frozenset[str] | None = None
    """Alarms to send; None: every one that needs a person."""
    cleared: bool = True
    """Whether the end of an alarm is sent too."""
    repeat_s: float = 0.0
    """How often an alarm that hurts the crop is sent again until somebody has seen it [s]; 0: it is
    not."""
    summary: time | None = None
    """When to say how things are, once a day."""
    chamber: str = ""
    limits: AlarmLimits
    """What alarms go by, and the unit to write in."""
    page: str = ""
    """Address of the page without a slash at its end; empty: none that a phone could open."""

    @property
    def title(self) -> str:
        """Title of every notice: which chamber it is about."""
        return self.chamber or "fruiting chamber"

    def link(self, part: str) -> str:
        """Return the address of a part of the page, by its id; empty where there is none."""
        return f"{self.page}/#{part}" if self.page else ""

    def awake(self, at: datetime) -> bool:
        """Return whether people are awake at a local time."""
        return within(at.time(), self.wakes, self.sleeps)

    def next_waking(self, at: datetime) -> datetime:
        """Return when people wake next."""
        return _next(self.wakes, at)

    def bedtime(self, at: datetime) -> datetime:
        """Return when people go to sleep next."""
        return _next(self.sleeps, at)


def rules_of(settings: Settings) -> Rules:
    """Return what the grower wants to be notified of."""
    notices = settings.notices
    return Rules(
        leads_s=tuple(notices.swap_due_before),
        wakes=settings.people.wakes,
        sleeps=settings.people.sleeps,
        alarms=None if notices.alarms is None else frozenset(notices.alarms),
        cleared=notices.tell_cleared,
        repeat_s=notices.repeat_crop_every,
        summary=notices.summary_at,
        chamber=settings.chamber.name,
        limits=limits_of(settings),
        page=page_address(settings),
    )


def _next(hour: time, at: datetime) -> datetime:
    today = at.replace(hour=hour.hour, minute=hour.minute, second=0, microsecond=0)
    return today if today > at else today + timedelta(days=1)
