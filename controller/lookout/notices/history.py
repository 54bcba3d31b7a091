"""What people were notified of so far, kept over a restart as one typed document."""

from __future__ import annotations

from dataclasses import dataclass, replace

from controller.domain.instants import FINITE
from controller.lookout.notices.message import NO_DATA

MOST_KEPT = 40
"""Leads and alarms that are remembered, the newest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadSent:
    """A notice that packs are due, for one set of packs and one lead."""

    __pydantic_config__ = FINITE

    set_s: float
    """When the set went in [s since 1970]."""
    lead_s: float
    """The lead [s]; `leads.EVENING_LEAD_S` for the notice before bedtime, `leads.NIGHT_LEAD_S` for
    the one that wakes people."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmSent:
    """An alarm that people were notified of."""

    __pydantic_config__ = FINITE

    key: str
    """By `message.alarm_key`."""
    since_s: float
    """When they were first notified of it [s since 1970]."""
    at_s: float
    """When last [s since 1970]."""
    active: bool
    """Whether it was active when it was last looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeHistory:
    """What was sent so far."""

    __pydantic_config__ = FINITE

    leads: tuple[LeadSent, ...] = ()
    alarms: tuple[AlarmSent, ...] = ()
    no_data_since_s: float | None = None
    """Since when there is no data [s since 1970]; None: there is."""
    no_data_sent_s: float | None = None
    """When people were last notified of that [s since 1970]; None: not yet."""
    summary_day: int = 0
    """Day of the last summary, as an ordinal."""

    def alarm(self, key: str) -> AlarmSent | None:
        """Return what was sent of an alarm, None: nothing."""
        return next((each for each in self.alarms if each.key == key), None)

    def with_alarm(self, sent: AlarmSent) -> NoticeHistory:
        """Return it with what was sent of an alarm, in the place of what was before."""
        others = [each for each in self.alarms if each.key != sent.key]
        return replace(self, alarms=tuple([*others, sent][-MOST_KEPT:]))

    def with_lead(self, sent: LeadSent) -> NoticeHistory:
        """Return it with one lead more."""
        return replace(self, leads=(*self.leads, sent)[-MOST_KEPT:])

    @property
    def active(self) -> frozenset[str]:
        """Keys of what people were notified of and what is not over."""
        alarms = frozenset(each.key for each in self.alarms if each.active)
        return alarms if self.no_data_sent_s is None else alarms | {NO_DATA}
