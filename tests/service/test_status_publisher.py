"""The figures of the status file that only the running process knows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from controller.core.decide import begin
from controller.core.state import NOTHING_ASKED, Decision, Inputs
from controller.domain.control_phase import Phase, Reason
from controller.domain.status import Status
from controller.domain.temperatures import Lost, Seen
from controller.probes.samples import Fault, Sample
from controller.records.boot import boottime
from controller.records.status_file import STATUS, read_status
from controller.service.chamber import Chamber, SharedParts, opened_chamber
from controller.service.fault_log import FaultLog
from controller.service.level_input import LevelInput
from controller.service.status_publisher import StatusPublisher, status_line
from controller.service.wiring import open_outputs, plan_of
from controller.settings.shipped import shipped_config
from tests.support.laws import BAND
from tests.support.waiting import until


class Readings:
    """A chamber in band, whose air probe failed twice before."""

    def __init__(self) -> None:
        self.faults = 2

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        water = ("reservoir", Sample(now, 4000))
        if self.faults:
            self.faults -= 1
            return [("air", Sample(now, None, Fault.BAD_CRC)), water]
        return [("air", Sample(now, 16_000)), water]

    def close(self) -> None:
        """Nothing."""


class Unread:
    """A journal that keeps nothing."""

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        """Nothing."""


@pytest.fixture(name="chamber")
def _chamber(tmp_path: Path) -> Chamber:
    plan = plan_of(shipped_config("larkmoor-laptop.toml"))
    around = SharedParts(
        folder=tmp_path,
        open_source=lambda *_: Readings(),
        journal=Unread(),
        before_start=lambda *_: None,
        level=LevelInput(),
        faults=FaultLog(lambda *_, **__: None),
    )
    return opened_chamber(plan, "pinning", open_outputs(plan), begin(0.0), around)


@pytest.fixture(name="publisher")
def _publisher(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[StatusPublisher]:
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    publisher = StatusPublisher(tmp_path, boot="boot-a")
    yield publisher
    publisher.close()


def published(
    folder: Path, publisher: StatusPublisher, chamber: Chamber, **changes: object
) -> Status:
    """Publish, and return what another process then reads."""
    (folder / STATUS).unlink(missing_ok=True)
    given: dict[str, object] = {
        "late_s": 0.25, "records_waiting": 3, "supply_fails": False, "not_kept": False,
        "requests_fault": None, "notes": ["a note"],
    }  # fmt: skip
    publisher.publish(chamber, **{**given, **changes})  # type: ignore[arg-type]
    until(lambda: read_status(folder / STATUS) is not None)
    status = read_status(folder / STATUS)
    assert status is not None
    return status


def test_starts_and_running_time_are_counted_from_tick_to_tick(
    tmp_path: Path, publisher: StatusPublisher, chamber: Chamber
) -> None:
    """A tick that is late counts with its length; a pump that runs on starts once."""
    chamber.tick(0.0, asked=NOTHING_ASKED, swap_due=None, records_fault=None)
    ticks = [(0.0, False), (5.0, True), (10.0, True), (22.0, False), (27.0, False), (32.0, True),
             (37.0, True), (42.0, True), (47.0, True)]  # fmt: skip
    for now, pump in ticks:
        publisher.count(pump=pump, now=now)

    figures = published(tmp_path, publisher, chamber).figures

    assert (figures.starts, figures.pump_s) == (2, 17.0 + 15.0)


def test_the_status_names_what_only_the_process_knows(
    tmp_path: Path, publisher: StatusPublisher, chamber: Chamber
) -> None:
    """Lateness, what waits, what cannot be kept, refused readings, the boot and the release."""
    for now in (0.0, 5.0, 10.0):
        chamber.tick(now, asked=NOTHING_ASKED, swap_due=None, records_fault=None)
    before_s = boottime()

    status = published(tmp_path, publisher, chamber)

    figures = status.figures
    assert (figures.late_s, figures.records_waiting, figures.timers_kept) == (0.25, 3, True)
    assert figures.requests_fault is None
    assert figures.refused == {"air": {Fault.BAD_CRC.value: 2}}
    assert (status.boot_id, status.chamber, status.stage) == ("boot-a", "hall shelf", "pinning")
    assert before_s - 0.001 <= status.boottime_s <= boottime() + 0.001
    assert (status.tick_s, tuple(status.notes)) == (5.0, ("a note",))
    assert (status.cut_in_c, status.cut_out_c) == (14.5, 13.5)
    assert status.version
    early = published(
        tmp_path, publisher, chamber, late_s=-0.1, not_kept=True, requests_fault="no file",
        supply_fails=True,
    )  # fmt: skip
    assert (early.figures.late_s, early.figures.timers_kept) == (0.0, False)
    assert early.figures.requests_fault == "no file"
    assert "supply_fails" in {alarm.name for alarm in early.alarms}


def test_nothing_is_published_before_the_first_tick_and_nothing_stays_at_the_end(
    tmp_path: Path, publisher: StatusPublisher, chamber: Chamber
) -> None:
    """A file that looks fresh would say that somebody controls."""
    publisher.publish(
        chamber, late_s=0.0, records_waiting=0, supply_fails=False, not_kept=False,
        requests_fault=None, notes=(),
    )  # fmt: skip
    chamber.tick(0.0, asked=NOTHING_ASKED, swap_due=None, records_fault=None)
    published(tmp_path, publisher, chamber)

    publisher.close()

    assert list(tmp_path.iterdir()) == []


def test_the_line_for_the_service_manager_says_how_it_is() -> None:
    """Phase, reason, air with its band, water; a lost probe with its reason."""
    decision = Decision(True, True, Phase.COOL, Reason.CALL)
    inputs = Inputs(band=BAND, air=Seen(17_062), reservoir=Lost("probe gone"))

    assert status_line(decision, inputs) == (
        f"{Phase.COOL.value}: {Reason.CALL.value}; air 17.06 °C (band 15.5 to 16.5 °C), "
        "reservoir probe gone"
    )
