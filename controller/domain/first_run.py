"""A commissioning: what was checked before the first crop, by whom, with what outcome."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from controller.domain.codec import Codec
from controller.domain.instants import require_aware

DONE, FAILED, SKIPPED = "done", "failed", "skipped"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedStep:
    """One thing that was checked."""

    name: str
    outcome: str
    """``done``, ``failed`` or ``skipped``."""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstRun:
    """One commissioning."""

    chamber: str
    config_sha256: str
    """Of the configuration that was in force."""
    steps: tuple[CheckedStep, ...]
    at: datetime
    """When it ended, aware."""
    who: str
    signed: bool
    """Whether it was signed off: only where no step failed."""

    def __post_init__(self) -> None:
        require_aware(self.at)

    def named(self, outcome: str) -> list[str]:
        """Return the names of the steps with an outcome."""
        return [step.name for step in self.steps if step.outcome == outcome]


FIRST_RUN_CODEC = Codec(FirstRun)
