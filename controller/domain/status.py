"""How a chamber is at one tick of its control process."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from controller.domain.alarms import Alarm
from controller.domain.codec import Codec
from controller.domain.instants import FINITE, require_aware

SILENT_AFTER_TICKS = 3
SILENT_SLACK_S = 5.0
"""A status older than so many ticks and this [s] no longer says how things are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeStatus:
    """What one probe shows."""

    __pydantic_config__ = FINITE

    reading_c: float | None
    """Temperature [°C]; None while the probe is lost."""
    lost: str | None
    """Why there is no usable reading; None while there is one."""
    id: str | None = None
    """Id of the probe on the bus; None: it has none, or an older release wrote this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbesStatus:
    """The probes by their place; None: no such probe is fitted."""

    air: ProbeStatus | None = None
    reservoir: ProbeStatus | None = None
    room: ProbeStatus | None = None
    coil_outlet: ProbeStatus | None = None

    def fitted(self) -> Iterator[tuple[str, ProbeStatus]]:
        """Yield name and status of every probe that is fitted, the air first."""
        for name, probe in (
            ("air", self.air),
            ("reservoir", self.reservoir),
            ("room", self.room),
            ("coil_outlet", self.coil_outlet),
        ):
            if probe is not None:
                yield name, probe


@dataclass(frozen=True, slots=True, kw_only=True)
class TimersLeft:
    """Timers that are running: what is left of them [s]; None: not running."""

    __pydantic_config__ = FINITE

    anti_short_cycle_s: float | None = None
    minimum_run_s: float | None = None
    pause_s: float | None = None

    def running(self) -> Iterator[tuple[str, float]]:
        """Yield name and time left [s] of every timer that runs."""
        for name, left_s in (
            ("anti_short_cycle", self.anti_short_cycle_s),
            ("minimum_run", self.minimum_run_s),
            ("pause", self.pause_s),
        ):
            if left_s is not None:
                yield name, left_s


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopFigures:
    """Figures for monitoring that only the control process knows, since it began."""

    __pydantic_config__ = FINITE

    late_s: float | None = None
    """How late the last tick began [s]."""
    records_waiting: int | None = None
    """Rows that are not on the medium yet."""
    starts: int | None = None
    pump_s: float | None = None
    """Running time of the pump [s]."""
    timers_kept: bool | None = None
    """Whether the timers are kept over a power cut."""
    requests_fault: str | None = None
    """Why requests cannot be read or answered; None while they can."""
    refused: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    """Readings that were refused, by probe and reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """How the chamber is; what a reader does not know of is left out or null."""

    __pydantic_config__ = FINITE

    format: int = 1
    as_of: datetime
    """Wall clock of the tick, aware."""
    boot_id: str | None
    """Boot in which it was written; None: the kernel does not say."""
    boottime_s: float
    """Boot-time clock of the tick [s]."""
    tick_s: float
    """Time between two ticks [s]."""
    chamber: str
    stage: str
    phase: str
    """Value of a `core.state.Phase`."""
    reason: str
    """Why cooling does what it does, in one short phrase."""
    pump: bool
    fan: bool
    cut_in_c: float
    cut_out_c: float
    probes: ProbesStatus
    timers_left: TimersLeft = TimersLeft()
    alarms: tuple[Alarm, ...] = ()
    """Those that stand."""
    figures: LoopFigures = LoopFigures()
    notes: tuple[str, ...] = ()
    """What a person should know beside the alarms, in whole sentences."""
    version: str = ""
    """Release that the control process was started from; empty: not known, or up to 0.1.0."""

    def __post_init__(self) -> None:
        require_aware(self.as_of)

    @property
    def air_c(self) -> float | None:
        """Air of the chamber [°C], None while it is not known."""
        return None if self.probes.air is None else self.probes.air.reading_c

    @property
    def reservoir_c(self) -> float | None:
        """Water of the reservoir [°C], None while it is not known."""
        return None if self.probes.reservoir is None else self.probes.reservoir.reading_c

    def age_s(self, *, boot_id: str | None, boottime_s: float) -> float | None:
        """Return how old it is [s]; None where it is of another boot.

        Args:
            boot_id: This boot, None: not known.
            boottime_s: Boot-time clock now [s].
        """
        if boot_id is None or self.boot_id != boot_id:
            return None
        return boottime_s - self.boottime_s

    def is_stale(self, *, boot_id: str | None, boottime_s: float) -> bool:
        """Return whether it is too old to say how things are.

        Args:
            boot_id: This boot, None: not known.
            boottime_s: Boot-time clock now [s].
        """
        age = self.age_s(boot_id=boot_id, boottime_s=boottime_s)
        return age is None or age > SILENT_AFTER_TICKS * self.tick_s + SILENT_SLACK_S


STATUS_CODEC = Codec(Status)
