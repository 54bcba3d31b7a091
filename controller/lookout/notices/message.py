"""A notice to people, as it is decided, kept and sent."""

from __future__ import annotations

from dataclasses import dataclass

from controller.domain.instants import FINITE

SWAP_DUE, NO_DATA, SUMMARY, OUTAGE, SERVICES = "swap_due", "silent", "summary", "outage", "services"
"""What a notice can be about, besides the names of alarms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something that people are notified of."""

    __pydantic_config__ = FINITE

    title: str
    body: str
    """Whole sentences."""
    urgent: bool = False
    about: str = ""
    """The name of an alarm, or one of the constants of this module."""
    alarm: str = ""
    """Key of the active alarm, by `alarm_key`; empty: it is of none, or of one that is over."""
    crop: bool = False
    """Whether the crop is being hurt: such a notice is sent until somebody has it."""
    link: str = ""
    """Address of what to look at; empty: the page has none that a phone could open."""
    since_s: float | None = None
    """When the outage that it reports began [s since 1970]; None: it reports none."""

    @property
    def text(self) -> str:
        """The body and the link, as it is sent."""
        return f"{self.body}\n{self.link}" if self.link else self.body


def alarm_key(name: str, about: str) -> str:
    """Return by what an alarm is known over time.

    Args:
        name: Its name.
        about: The probe or load that it concerns; empty: none.
    """
    return f"{name} {about}".strip()
