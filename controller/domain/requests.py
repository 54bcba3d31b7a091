"""What people and the lookout ask of the control process, and its answers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import Any

from controller.domain.codec import Codec
from controller.domain.instants import FINITE, require_aware

LONGEST_PAUSE_S = 4 * 3600.0
"""A forgotten pause ends after this, so that it cannot cost the crop [s]."""
SWAP_AHEAD = timedelta(minutes=5)
"""A pack change is logged for no later than this from now: two clocks may differ so much."""
SAME_CHANGE = timedelta(minutes=20)
"""Two people, or a person and a file, who log one pack change differ by no more than this."""
PAUSED_LONGER = "a longer pause was running already"
"""How the answer to a pause ends that changes nothing, because a longer one holds."""
NOTHING_BEGINS = "nothing to do"
"""How the answer to a request begins that found nothing to end or to mark."""
REFUSED_BEGINS = "refused"
"""How the answer to a request begins that was not done."""


class RequestKind(Enum):
    """What can be asked for, by the name that the requests file keeps."""

    SWAP = "swap"
    STAGE = "stage"
    PAUSE = "pause"
    RESUME = "resume"
    ACKNOWLEDGE = "ack"
    RESET = "reset"
    FORECAST = "forecast"
    WITHDRAW = "withdraw"


class FrozenThrough(Enum):
    """Whether packs were frozen through when they went in, as the person says."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"

    @property
    def certain(self) -> bool | None:
        """None where the person did not say."""
        return {FrozenThrough.YES: True, FrozenThrough.NO: False}.get(self)

    @classmethod
    def of(cls, certain: bool | None) -> FrozenThrough:
        """Return what says so; the other way round than `certain`."""
        return {True: cls.YES, False: cls.NO, None: cls.UNKNOWN}[certain]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSwap:
    """Log that spent packs were taken out and frozen ones put in."""

    packs: int
    """How many went in."""
    at: datetime
    """When, aware."""
    note: str = ""
    frozen_through: FrozenThrough = FrozenThrough.UNKNOWN

    def __post_init__(self) -> None:
        require_aware(self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetStage:
    """Put the band of a stage in force."""

    name: str
    instead_of: str = ""
    """The configuration's stage at the time: when that is edited, the request has had its day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """Stop pump and fan at once, for a while."""

    __pydantic_config__ = FINITE

    for_s: float
    """Counted from when it was asked for [s]; no longer than `LONGEST_PAUSE_S` counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Resume:
    """End a pause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge:
    """Mark alarms as seen."""

    alarm: str | None = None
    """Name of one; None: every one that stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset:
    """End a lockout and forget the tries that failed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSwapDue:
    """The lookout's report on whether packs are due; only the newest one counts."""

    due: bool
    until_boot_ms: int
    """How long it holds, on the boot-time clock of its boot [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdraw:
    """Take a logged pack change back; the record keeps both."""

    request: int
    """Number of the request that logged it."""


Payload = LogSwap | SetStage | Pause | Resume | Acknowledge | Reset | ReportSwapDue | Withdraw

_TYPES: dict[RequestKind, type[Payload]] = {
    RequestKind.SWAP: LogSwap,
    RequestKind.STAGE: SetStage,
    RequestKind.PAUSE: Pause,
    RequestKind.RESUME: Resume,
    RequestKind.ACKNOWLEDGE: Acknowledge,
    RequestKind.RESET: Reset,
    RequestKind.FORECAST: ReportSwapDue,
    RequestKind.WITHDRAW: Withdraw,
}
_KINDS = {of: kind for kind, of in _TYPES.items()}
_CODECS: dict[RequestKind, Codec[Any]] = {kind: Codec(of) for kind, of in _TYPES.items()}


def kind_of(payload: Payload) -> RequestKind:
    """Return what a payload asks for."""
    return _KINDS[type(payload)]


def payload_text(payload: Payload) -> str:
    """Return the JSON text of a payload."""
    return _CODECS[kind_of(payload)].text(payload)


def read_payload(kind: RequestKind, text: str) -> Payload:
    """Return the payload of a kind from its JSON text.

    Raises:
        UnreadableError: It is damaged, or a later release's.
    """
    payload: Payload = _CODECS[kind].read(text)
    return payload


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a request."""

    text: str
    at_utc_ms: int
    """Wall clock [ms since 1970, UTC]."""

    @property
    def is_refusal(self) -> bool:
        """Whether it says that the request was not done."""
        return self.text.startswith((REFUSED_BEGINS, "cannot", "too late", "no stage"))

    @property
    def found_nothing(self) -> bool:
        """Whether it says that there was nothing to end or to mark."""
        return self.text.startswith(NOTHING_BEGINS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """Something that was asked for."""

    id: int
    payload: Payload
    who: str
    asked_utc_ms: int
    boot_id: str
    """Boot in which it was asked; empty: logged afterwards."""
    asked_boot_ms: int
    """When it was asked, on the boot-time clock of that boot [ms]."""
    answer: Answer | None = None

    @property
    def kind(self) -> RequestKind:
        """What it asks for."""
        return kind_of(self.payload)


@dataclass(frozen=True, slots=True)
class UnreadableRequest:
    """A row that waits for an answer and cannot be understood."""

    id: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedSwap:
    """A pack change as somebody logged it."""

    at: datetime
    """When the packs went in, aware."""
    packs: int
    logged_at: datetime
    """When it was logged, aware."""
    frozen_through: bool | None
    """Whether the packs were frozen through; None where the person did not say."""
    who: str = ""
    request: int = 0
    """Number of the request that logged it; 0: not known."""
    note: str = ""
    """What the person wrote beside it."""
