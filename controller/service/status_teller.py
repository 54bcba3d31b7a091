"""How the chamber is, tick by tick, for the status file and the service manager."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from controller.core.state import Decision, Inputs
from controller.records.boot import boottime
from controller.records.status_file import (
    STATUS,
    Moment,
    runtime_directory,
    status_document,
    write_status,
)
from controller.service.journal import shown
from controller.service.loop import ControlLoop
from controller.service.newest_writer import NewestWriter


class StatusTeller:
    """The status file of one chamber, and the figures in it that only this process knows."""

    def __init__(self, place: Path, *, boot: str | None) -> None:
        """Begin to tell.

        Args:
            place: The state directory.
            boot: Boot id; None: not known.
        """
        self._file = runtime_directory(place) / STATUS
        self._boot = boot
        self._starts = 0
        self._pump_s = 0.0
        self._counted_at: float | None = None
        self._was_on = False
        self._writer = NewestWriter[dict[str, Any]](
            "status", lambda document: write_status(self._file, document)
        )

    def count(self, *, pump: bool, now: float) -> None:
        """Count starts and running time of the pump, once a tick.

        Args:
            pump: Whether it runs from this tick on.
            now: Monotonic instant of the tick [s].
        """
        if self._was_on and self._counted_at is not None:
            self._pump_s += now - self._counted_at
        self._counted_at = now
        self._starts += pump and not self._was_on
        self._was_on = pump

    def tell(
        self,
        loop: ControlLoop,
        *,
        chamber: str,
        stage: str,
        tick_s: float,
        late_s: float,
        records_waiting: int,
        stuck: tuple[str, ...],
        supply_fails: bool,
    ) -> None:
        """Hand over how the chamber is now.

        Args:
            loop: The loop, just turned.
            chamber: Its name.
            stage: The stage in force.
            tick_s: Beat of the loop [s].
            late_s: How late this tick came [s].
            records_waiting: Rows that are not on the medium yet.
            stuck: Probes that stand still on a moving plant.
            supply_fails: Whether the supply fails at starts of the pump.
        """
        if loop.inputs is None:
            return
        moment = Moment(
            now=loop.clock.monotonic(),
            local=loop.clock.local(),
            boot_id=self._boot,
            boottime_s=boottime(),
        )
        figures = {
            "late_s": round(max(0.0, late_s), 4),
            "records_waiting": records_waiting,
            "starts": self._starts,
            "pump_s": round(self._pump_s, 1),
            "refused": {
                name: {fault.value: count for fault, count in sieve.counts.items()}
                for name, sieve in loop.sieves.items()
                if sieve.counts
            },
        }
        self._writer.give(
            status_document(
                loop.state,
                loop.inputs,
                loop.law,
                moment,
                chamber=chamber,
                stage=stage,
                tick_s=tick_s,
                figures=figures,
                stuck=stuck,
                supply_fails=supply_fails,
            )
        )

    def close(self) -> None:
        """End, and leave nothing that would look fresh."""
        self._writer.close()
        self._file.unlink(missing_ok=True)


def status_line(decision: Decision, inputs: Inputs) -> str:
    """Return how the chamber is in one line for people."""
    band = inputs.band
    return (
        f"{decision.phase.value}: {decision.reason.value}; air {shown(inputs.air)} "
        f"(band {band.cut_out_mc / 1000:g} to {band.cut_in_mc / 1000:g} °C), "
        f"reservoir {shown(inputs.reservoir)}"
    )
