"""What the log hears of the probes: once each, and once for a common cause."""

from __future__ import annotations

import pytest

from controller.core.state import Decision, Event
from controller.domain.control_phase import Phase, Reason
from controller.domain.events import EventKind
from controller.probes.samples import Fault, Sample
from controller.probes.sieve import Sieve, SieveRules
from controller.service.fault_log import REMIND_AFTER_S, FaultLog
from controller.service.probe_watch import ANOTHER_MOVED_MK, ProbeWatch

QUIET = Decision(False, False, Phase.REST, Reason.NO_CALL)
SWITCHED = Decision(
    True, False, Phase.PRIME, Reason.PRIMING, (Event(EventKind.SWITCH, "pump", "on"),)
)
STUCK_AFTER_S = 3600.0


class Watched:
    """Two probes and the lines of the log."""

    def __init__(self) -> None:
        rules = SieveRules(median_of=1, agree=1, stuck_after_s=STUCK_AFTER_S, stale_after_s=9e9)
        self.sieves = {"air": Sieve(rules), "reservoir": Sieve(rules)}
        self.lines: list[tuple[str, str, str]] = []
        self.raw: list[object] = []
        self.watch = ProbeWatch(self.sieves, FaultLog(self.log))

    def log(self, event: str, **more: object) -> None:
        self.lines.append((event, str(more["what"]), str(more["fault"])))
        self.raw.append(more.get("raw"))

    def read(
        self, now: float, air: int | Fault, reservoir: int | Fault, decision: Decision = QUIET
    ) -> None:
        for name, got in (("air", air), ("reservoir", reservoir)):
            good = isinstance(got, int)
            sample = Sample(now, got) if good else Sample(now, None, got, raw=f"bytes of {name}")  # type: ignore[arg-type]
            self.sieves[name].take(sample)
        self.watch.judge(decision, now)


def test_a_fault_of_one_probe_is_logged_with_what_was_read_and_at_its_end() -> None:
    """Once, not at every reading."""
    chamber_probe = Watched()
    for now in (0.0, 5.0, 10.0):
        chamber_probe.read(now, Fault.BAD_CRC, 4000)
    chamber_probe.read(15.0, 16_000, 4000)
    chamber_probe.read(20.0, 16_000, 4000)

    fault = Fault.BAD_CRC.value
    assert chamber_probe.lines == [("fault", "air", fault), ("fault_ended", "air", fault)]
    assert chamber_probe.raw == ["bytes of air", None]


def test_what_both_probes_suffer_has_one_line() -> None:
    """A cut cable is not two faults; when one probe is back, the other has its own."""
    chamber_probe = Watched()
    chamber_probe.read(0.0, Fault.ABSENT, Fault.ABSENT)
    chamber_probe.read(5.0, Fault.ABSENT, Fault.ABSENT)
    chamber_probe.read(10.0, 16_000, Fault.ABSENT)

    (first, _, cause), (over, *_), (own, what, _) = chamber_probe.lines
    assert (first, over, own, what) == ("fault", "fault_ended", "fault", "reservoir")
    assert cause.startswith("air, reservoir: ")


def test_a_fault_that_stands_is_reminded_of_each_hour() -> None:
    """With the count so far."""
    lines: list[tuple[str, object]] = []
    log = FaultLog(lambda event, **more: lines.append((event, more.get("times"))))
    for now in (0.0, 10.0, REMIND_AFTER_S - 1, REMIND_AFTER_S, REMIND_AFTER_S + 1):
        log.fault("air", "empty", now)
    log.fault("air", "empty", 2 * REMIND_AFTER_S)
    log.fault("air", "all zero", 2 * REMIND_AFTER_S + 1)

    assert REMIND_AFTER_S == 3600.0
    assert lines == [
        ("fault", None), ("fault_goes_on", 4), ("fault_goes_on", 6), ("fault", None),
    ]  # fmt: skip


def test_a_reading_that_stands_still_while_the_plant_is_switched_is_reported() -> None:
    """After its time, until it moves; one that stands on a plant at rest is sound."""
    chamber_probe = Watched()
    for step in range(4):
        chamber_probe.read(step * STUCK_AFTER_S / 3, 16_000, 4000 + 100 * step)
    assert chamber_probe.watch.stuck == ()
    for step in range(4):
        chamber_probe.read(4000.0 + step * 1500, 16_000, 4000 + 70 * step, SWITCHED)
    assert chamber_probe.watch.stuck == ("air",)
    assert [line[:2] for line in chamber_probe.lines] == [("fault", "air stuck")]

    chamber_probe.read(9000.0, 16_062, 4062)
    assert chamber_probe.watch.stuck == ()
    assert chamber_probe.lines[-1][:2] == ("fault_ended", "air stuck")


@pytest.mark.parametrize("step_mk", [ANOTHER_MOVED_MK - 1, ANOTHER_MOVED_MK])
def test_another_probe_that_goes_a_good_way_shows_that_the_plant_moved(step_mk: int) -> None:
    """Though nothing was switched: a stuck probe inside the band keeps the pump off for ever."""
    chamber_probe = Watched()
    for step in range(8):  # up and down, always as far from where it last counted
        chamber_probe.read(step * 1500.0, 16_000, 4000 + (step % 2) * step_mk)

    assert chamber_probe.watch.stuck == (("air",) if step_mk >= ANOTHER_MOVED_MK else ())


def test_refused_readings_are_counted_since_the_last_question() -> None:
    """By probe and reason, each once."""
    chamber_probe = Watched()
    chamber_probe.read(0.0, Fault.BAD_CRC, 4000)
    chamber_probe.read(5.0, Fault.BAD_CRC, Fault.EMPTY)

    assert sorted(chamber_probe.watch.refused()) == [
        ("air", Fault.BAD_CRC.value, 2),
        ("reservoir", Fault.EMPTY.value, 1),
    ]
    assert list(chamber_probe.watch.refused()) == []
    chamber_probe.read(10.0, Fault.BAD_CRC, 4000)
    assert list(chamber_probe.watch.refused()) == [("air", Fault.BAD_CRC.value, 1)]
