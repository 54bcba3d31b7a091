"""Tells the log what is wrong with the probes: once each, and once for a common cause."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from controller.core.state import Decision
from controller.domain.events import EventKind
from controller.domain.temperatures import Seen
from controller.probes.common_cause import common_cause
from controller.probes.samples import Fault
from controller.probes.sieve import Sieve
from controller.service.fault_log import FaultLog

_ALL = "probes"
ANOTHER_MOVED_MK = 1000
"""Another probe that moved by this much shows that the plant did, also while nothing is switched: a
probe that stands still inside the band keeps the pump off for ever."""


class ProbeWatch:
    """Looks at the sieves after each tick of the service."""

    def __init__(self, sieves: Mapping[str, Sieve], faults_log: FaultLog) -> None:
        self._sieves = dict(sieves)
        self._faults_log = faults_log
        self._reference_mc: dict[str, int] = {}
        self.stuck: tuple[str, ...] = ()
        """Probes whose reading has not moved for too long on a moving plant."""
        self._tallied: dict[str, Counter[Fault]] = {name: Counter() for name in sieves}

    def refused(self) -> Iterator[tuple[str, str, int]]:
        """Yield probe, reason and how many readings were refused for it since the last call."""
        for name, sieve in self._sieves.items():
            for fault, count in (sieve.counts - self._tallied[name]).items():
                yield name, fault.value, count
            self._tallied[name] = Counter(sieve.counts)

    def judge(self, decision: Decision, now: float) -> None:
        """Report faults that are new, that go on, and that are over.

        Args:
            decision: What was just decided; a switch means that readings ought to move.
            now: Monotonic instant [s].
        """
        moved = any(event.kind is EventKind.SWITCH for event in decision.events)
        movers = self._movers(now)
        stuck: list[str] = []
        faults = {name: sieve.last_fault for name, sieve in self._sieves.items()}
        common = common_cause(faults)
        if common is not None:
            self._faults_log.fault(_ALL, common, now)
        else:
            self._faults_log.ended(_ALL, now)
        for name, sieve in self._sieves.items():
            fault = faults[name]
            if fault is None:
                self._faults_log.ended(name, now)
            elif common is None:
                self._faults_log.fault(name, fault.value, now, raw=sieve.refused_raw)
            if moved or movers - {name}:
                sieve.moved()
            if sieve.stuck(now):
                stuck.append(name)
                text = "the reading has not moved for a long time while the plant did"
                self._faults_log.fault(f"{name} stuck", text, now)
            else:
                self._faults_log.ended(f"{name} stuck", now)
        self.stuck = tuple(stuck)

    def _movers(self, now: float) -> set[str]:
        """Return the probes whose reading went a good way since this was last so."""
        movers = set()
        for name, sieve in self._sieves.items():
            reading = sieve.reading(now)
            if not isinstance(reading, Seen):
                continue
            reference_mc = self._reference_mc.setdefault(name, reading.value_mc)
            if abs(reading.value_mc - reference_mc) >= ANOTHER_MOVED_MK:
                self._reference_mc[name] = reading.value_mc
                movers.add(name)
        return movers
