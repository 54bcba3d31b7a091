"""What the control law carries from one decision to the next, and what it says each time."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple

from controller.core.law import Band, Law
from controller.core.memory import NOTHING_SEEN, Expectations, Recent
from controller.core.stopwatch import RESET, Stopwatch
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind
from controller.domain.temperatures import Reading, Seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What people have asked for since the last decision."""

    pause_s: float | None = None
    """Stop and stay off for this long."""
    resume: bool = False
    """End a pause."""
    reset: bool = False
    """End a lockout and forget failed tries."""
    acknowledge: tuple[AlarmName, ...] = ()
    """Alarms that a person has seen."""


NOTHING_ASKED = Asked()


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """What one decision is made from."""

    band: Band
    air: Reading
    reservoir: Reading
    room: Reading | None = None
    """None: no such probe is fitted."""
    level: bool | None = None
    """Whether there is water enough in the reservoir; None: no such input is fitted."""
    coil_outlet: Reading | None = None
    asked: Asked = NOTHING_ASKED
    output_fault: str | None = None
    """The load that could not be switched, None while all obey."""
    records_fault: str | None = None
    swap_due: bool | None = None
    """What the forecast says; None while nobody forecasts."""


class AirMark(NamedTuple):
    """The air at an instant."""

    at: float
    air_mc: int


class Flow(NamedTuple):
    """What is known of the water's movement in this run."""

    unanswered: Stopwatch = RESET
    """For how long an answer could be expected and did not come."""
    air_peak_mc: int | None = None
    """Warmest air since waiting began, from which an answering fall is measured."""
    room_mc: int | None = None
    """Room at the start of the run, where it was known."""
    falling_mk_s: float = 0.0
    """How fast the air was falling by itself before the start, zero or more."""
    proved_mc: int | None = None
    """Air when the loop answered; None: it has not in this run."""


UNTRIED = Flow()


class Cooling(NamedTuple):
    """Where the cooling stands. Instants are monotonic seconds."""

    phase: Phase
    reason: Reason
    call: bool
    pump: bool
    fan: bool
    pump_since: float
    """Last start or stop of the pump."""
    phase_since: float
    warm: Stopwatch = RESET
    """For how long the reservoir has been too warm while the pump runs."""
    too_warm: bool = False
    """Whether the reservoir was too warm for the last call, when it was known last."""
    unseen_since: float | None = None
    """Since when water that was too warm is not known any more; None: it is, or was not."""
    paused_until: float | None = None
    flow: Flow = UNTRIED
    failed_tries: int = 0
    """Runs in a row without proved flow, since the last lockout or reset."""
    flow_suspect: bool = False
    """Whether no run has been proved since one failed; a reset does not end it."""
    overran: bool = False
    """Whether the longest run ended the last one of this call, unproved or with the air not held
    though the water was cold."""
    rest_s: float = 0.0
    """Rest that this stop asks for beyond the anti-short-cycle time."""
    lost_runs: int = 0
    """Runs in a row that were cut short by a lost air probe."""
    trend: tuple[AirMark, ...] = ()
    """The air's own course while the pump rests, the older mark first."""
    rise_mk_s: float = 0.0
    """How fast the air rose in the last rests [mK/s]; 0: not known, or not asked for."""


class AlarmState(NamedTuple):
    """One alarm: standing or not, and the delay that is running."""

    name: AlarmName
    about: str
    """What it is about where one name serves several things (a probe, a load), else empty."""
    standing: bool = False
    acknowledged: bool = False
    pending: Stopwatch = RESET
    """For how long the condition has asked for a change."""


class Evidence(Enum):
    """Why an alarm ended."""

    MEASURED = "measured back"
    ACKNOWLEDGED = "acknowledged"
    UNKNOWN = "unknown"
    """What it was about is not fitted any more."""


class Event(NamedTuple):
    """Something that happened at one decision."""

    kind: EventKind
    name: str
    """The load, phase, trip or alarm."""
    detail: str
    evidence: Evidence | None = None
    """Why an alarm ended; None for other events."""


class Decision(NamedTuple):
    """What shall be on from now on, and why."""

    pump: bool
    fan: bool
    phase: Phase
    reason: Reason
    events: tuple[Event, ...] = ()


class ReadingBounds(NamedTuple):
    """Bounds of a reading, both included [m°C]."""

    lowest_mc: float
    highest_mc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionWindow:
    """Until when, and within which readings, a decision stands; made by `window.window_of`.

    Outside it a decision may be another one, and mostly is not.
    """

    law: Law
    inputs: Inputs
    """What was decided from. Readings may move within their spans; all else must be as it is, and
    so must which probes are lost."""
    until: float
    """Before this instant [s]."""
    air: ReadingBounds | None
    """None: the reading is lost or there is no such probe, and stays so."""
    reservoir: ReadingBounds | None
    room: ReadingBounds | None
    coil_outlet: ReadingBounds | None

    def holds(self, inputs: Inputs, now: float, law: Law) -> bool:
        """Return whether the decision stands for these inputs at this instant."""
        if now >= self.until or law is not self.law:
            return False
        decided = self.inputs
        return inputs is decided or (
            inputs.asked is NOTHING_ASKED
            and (inputs.band is decided.band or inputs.band == decided.band)
            and inputs.output_fault == decided.output_fault
            and inputs.records_fault == decided.records_fault
            and inputs.swap_due is decided.swap_due
            and inputs.level is decided.level
            and _inside(inputs.air, self.air, decided.air)
            and _inside(inputs.reservoir, self.reservoir, decided.reservoir)
            and _inside(inputs.room, self.room, decided.room)
            and _inside(inputs.coil_outlet, self.coil_outlet, decided.coil_outlet)
        )


def _inside(reading: Reading | None, span: ReadingBounds | None, decided: Reading | None) -> bool:
    if reading is decided:
        return True
    if isinstance(reading, Seen):
        return span is not None and span.lowest_mc <= reading.value_mc <= span.highest_mc
    return span is None and (reading is None) is (decided is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmContext:
    """What the alarms of one decision are judged by."""

    cooling: Cooling
    """Where the cooling stands from `now` on."""
    recent: Recent
    expectations: Expectations
    inputs: Inputs
    now: float
    law: Law


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """All that the control law remembers."""

    cooling: Cooling
    alarms: tuple[AlarmState, ...]
    recent: Recent
    expectations: Expectations = NOTHING_SEEN
    decision: Decision
    """The last one, without its events."""
    window: DecisionWindow | None = field(default=None, compare=False, repr=False)
    """Within it the decision stands; None: decide anew. It only saves work."""
    judged: AlarmContext | None = field(default=None, compare=False, repr=False)
    """What `alarms` were judged by last, so that only those are judged again for which something
    changed; None: all are. It only saves work."""
