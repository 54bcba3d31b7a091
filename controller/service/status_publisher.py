"""How the chamber is, tick by tick, in the status file and for the service manager."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from controller import __version__
from controller.core.state import Decision, Inputs
from controller.domain.places import runtime_directory
from controller.domain.status import LoopFigures, Status
from controller.records.boot import boottime
from controller.records.status_file import (
    STATUS,
    Clocks,
    status_of,
    write_status,
)
from controller.service.chamber import Chamber
from controller.service.journal import shown
from controller.service.loop import ControlLoop
from controller.service.newest_writer import NewestWriter
from controller.service.sources import probe_ids
from controller.system_zone import follow_system_zone


class StatusPublisher:
    """The status file of one chamber, and the figures in it that only this process knows."""

    def __init__(self, place: Path, *, boot: str | None) -> None:
        """Begin to publish.

        Args:
            place: The state directory.
            boot: Boot id; None: not known.
        """
        self._file = runtime_directory(place) / STATUS
        self._boot = boot
        self._version = __version__
        self._starts = 0
        self._pump_s = 0.0
        self._counted_at: float | None = None
        self._pump_before = False
        self._writer = NewestWriter[Status]("status", self._write)

    def count(self, *, pump: bool, now: float) -> None:
        """Count starts and running time of the pump, once a tick.

        Args:
            pump: Whether it runs from this tick on.
            now: Monotonic instant of the tick [s].
        """
        if self._pump_before and self._counted_at is not None:
            self._pump_s += now - self._counted_at
        self._counted_at = now
        self._starts += pump and not self._pump_before
        self._pump_before = pump

    def publish(
        self,
        chamber: Chamber,
        *,
        late_s: float,
        records_waiting: int,
        supply_fails: bool,
        not_kept: bool,
        requests_fault: str | None,
        notes: Sequence[str],
    ) -> None:
        """Hand over how the chamber is now.

        Args:
            chamber: It has turned just now.
            late_s: How late this tick came [s].
            records_waiting: Rows that are not on the medium yet.
            supply_fails: Whether the supply fails at starts of the pump.
            not_kept: Whether the timers cannot be kept over a power cut.
            requests_fault: Why requests cannot be read or answered; None while they can.
            notes: What a person should know beside the alarms.
        """
        loop, settings = chamber.loop, chamber.settings
        if loop.inputs is None:
            return
        clocks = Clocks(
            now=chamber.clock.monotonic(),
            local=chamber.clock.local(),
            boot_id=self._boot,
            boottime_s=boottime(),
        )
        figures = LoopFigures(
            late_s=round(max(0.0, late_s), 4),
            records_waiting=records_waiting,
            starts=self._starts,
            pump_s=round(self._pump_s, 1),
            timers_kept=not not_kept,
            requests_fault=requests_fault,
            refused=_refused(loop),
        )
        self._writer.give(
            status_of(
                loop.state,
                loop.inputs,
                loop.law,
                clocks,
                chamber=settings.chamber.name,
                stage=chamber.stage,
                tick_s=settings.timing.tick,
                figures=figures,
                stuck=chamber.watch.stuck,
                supply_fails=supply_fails,
                ids=probe_ids(settings),
                stranger=chamber.stranger(clocks.now),
                notes=[*notes, *([chamber.bus_missing] if chamber.bus_missing else [])],
            )
        )

    def close(self) -> None:
        """End, and leave nothing that would look fresh."""
        self._writer.close()
        with contextlib.suppress(OSError):  # somebody may have put a folder in its place
            self._file.unlink(missing_ok=True)

    def _write(self, status: Status) -> None:
        # the system's time zone may change while this runs; done in this thread, as it reads a file
        follow_system_zone()
        write_status(self._file, replace(status, version=self._version))


def _refused(loop: ControlLoop) -> dict[str, dict[str, int]]:
    """Return how many readings of each probe were refused, by fault."""
    return {
        name: {fault.value: count for fault, count in sieve.counts.items()}
        for name, sieve in loop.sieves.items()
        if sieve.counts
    }


def status_line(decision: Decision, inputs: Inputs) -> str:
    """Return how the chamber is in one line for people."""
    band = inputs.band
    return (
        f"{decision.phase.value}: {decision.reason.value}; air {shown(inputs.air)} "
        f"(band {band.cut_out_mc / 1000:g} to {band.cut_in_mc / 1000:g} °C), "
        f"reservoir {shown(inputs.reservoir)}"
    )
