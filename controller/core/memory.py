"""What is remembered for alarms alone: the last hour, and how the plant has answered.

`recent` and `expectations` work it out; nothing is switched by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from controller.domain.reading_rows import PROBE_NAMES

HOUR_S = 3600.0
SWINGS = 3
"""So many runs in a row against the nature of a reservoir are no chance."""


@dataclass(frozen=True, slots=True)
class Loss:
    """A probe that stopped answering."""

    at: float
    about: str
    running: bool
    """Whether the pump ran, or had just stopped."""


class Recent(NamedTuple):
    """The last hour. Instants are monotonic seconds, the oldest first."""

    since: float
    """When counting began."""
    starts: tuple[float, ...] = ()
    trips: tuple[float, ...] = ()
    losses: tuple[Loss, ...] = ()
    lost: frozenset[str] = frozenset(PROBE_NAMES)
    """Probes that are lost now. Before the first readings that is no fault."""

    def whole_hour(self, now: float) -> bool:
        """Return whether counting began an hour ago at least."""
        return now - self.since >= HOUR_S

    def lost_times(self, about: str) -> int:
        """Return how often a probe was lost."""
        return sum(loss.about == about for loss in self.losses)

    def lost_running(self) -> int:
        """Return how often any probe was lost while the pump ran."""
        return sum(loss.running for loss in self.losses)

    def only_while_running(self) -> bool:
        """Return whether probes are lost while the pump runs and at no other time.

        Of a pump that has not stopped and started again, that says nothing.
        """
        return len(self.starts) > 1 and all(loss.running for loss in self.losses)


@dataclass(frozen=True, slots=True)
class Settled:
    """The plant at the beginning of a quiet rest."""

    at: float
    air_mc: int
    water_mc: int
    room_mc: int | None = None
    """None: not known then."""


class Block(NamedTuple):
    """Pieces of rests that are judged together."""

    excess_mk_s: float = 0.0
    """How much warmer the room was than the air, times for how long."""
    lasted_s: float = 0.0
    risen_mk: float = 0.0
    """What the air rose in that time."""


@dataclass(frozen=True, slots=True)
class WarmingLine:
    """How fast the air warms [K/h] against the excess of the room over it [K]: sums over blocks."""

    weight: float = 0.0
    excess: float = 0.0
    speed: float = 0.0
    excess_squared: float = 0.0
    excess_speed: float = 0.0
    blocks: int = 0
    """So many at least."""
    least_excess_k: float = float("inf")
    """The smallest excess that it was learned in."""


class Warming(NamedTuple):
    """How the air of this chamber warms while the pump rests; `core.warming` works it out."""

    block: Block = Block()
    line: WarmingLine = WarmingLine()
    slow: int = 0
    """Blocks in a row that warmed much more slowly than the line says."""
    sound: int = 0
    """Blocks in a row that warmed as it says."""


class Expectations(NamedTuple):
    """What was seen of the plant's answers."""

    settled: Settled | None = None
    cooling_while_off: bool = False
    warming: Warming = Warming()
    water_mc: int | None = None
    """Reservoir at the pump's last switch."""
    run_change_mk: int | None = None
    """What the last run did to the reservoir."""
    against_nature: int = 0
    """Runs and rests in a row that moved the reservoir the wrong way."""

    @property
    def probe_misplaced(self) -> bool:
        """Whether the reservoir probe does not behave like one in water."""
        return self.against_nature >= SWINGS


NOTHING_SEEN = Expectations()
