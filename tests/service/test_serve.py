"""The control process from start to stop, turned in this one on a clock that its sleeps move."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from controller.domain.requests import SetStage
from controller.errors import OutputError, ProbeError
from controller.probes.samples import Sample
from controller.records.requests_file import REQUESTS, ask
from controller.records.writer import RecordsWriter
from controller.service import serve as module
from controller.service.clock import SystemClock
from controller.service.locks import LineLocks
from controller.service.notify import Notifier
from controller.service.output_bank import OutputBank
from controller.service.signals import Signals
from controller.settings.load import Settings
from controller.settings.shipped import shipped_config

TICK_S = 5.0
WARM_MC, COLD_MC, ROOM_MC = 25_000, 4_000, 28_000


@dataclass
class Service(Notifier):
    """One control process: its manager, its probes and its clock."""

    place: Path
    ticks: int = 3
    each_tick: Callable[[], object] = lambda: None
    now: float = 1000.0
    watchdog_s: float | None = None
    said: list[tuple[float, str]] = field(default_factory=list)
    outputs: OutputBank | None = None
    on_bus: bool = True
    oversleeps: list[float] = field(default_factory=list)
    """How much longer than asked for each sleep lasts [s]; not at all after the last."""

    def ready(self) -> None:
        self.said.append((self.now, "ready"))

    def stopping(self) -> None:
        self.said.append((self.now, "stopping"))

    def alive(self) -> None:
        self.said.append((self.now, "alive"))

    def status(self, line: str) -> None:
        """Comes once a tick, after the switching."""
        self.said.append((self.now, "tick"))
        self.each_tick()
        if sum(what == "tick" for _, what in self.said) >= self.ticks:
            os.kill(os.getpid(), signal.SIGTERM)

    def times(self, what: str) -> list[float]:
        return [at for at, each in self.said if each == what]

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        places = (("air", WARM_MC), ("reservoir", COLD_MC), ("room", ROOM_MC))
        return [(place, Sample(now, value_mc)) for place, value_mc in places]

    def close(self) -> None:
        """Nothing."""

    def source(self, _settings: Settings, outputs: OutputBank, _folder: Path) -> Service:
        self.outputs = outputs
        if not self.on_bus:
            raise ProbeError("no bus")
        return self

    def serve(self, **changes: str) -> bool:
        text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        for before, after in changes.items():
            assert f"\n{before} = " in text
            text = text.replace(f"\n{before} = ", f"\n{before} = {after} # ", 1)
        config = self.place / "shelf.toml"
        config.write_text(text, encoding="utf-8")
        return module.serve(config, self.place, notifier=self, source=self.source)


@pytest.fixture(name="service")
def _service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Service:
    service = Service(tmp_path)

    class TestClock(SystemClock):
        def monotonic(self) -> float:
            return service.now

    def sleep(_signals: Signals, for_s: float) -> None:
        service.now += for_s + (service.oversleeps.pop(0) if service.oversleeps else 0.0)

    monkeypatch.setattr("controller.service.chamber.SystemClock", TestClock)
    monkeypatch.setattr(module, "_monotonic", lambda: service.now)
    monkeypatch.setattr(Signals, "sleep", sleep)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    return service


def test_it_ticks_on_a_grid_and_ends_with_everything_off(service: Service) -> None:
    """The manager is told of the start, of each turn, and of the end."""
    service.ticks = 200
    ran = []
    service.each_tick = lambda: ran.append(service.outputs and service.outputs.is_on("pump"))

    assert service.serve()

    assert service.times("tick") == [1000.0 + TICK_S * step for step in range(200)]
    assert service.said[0] == (1000.0, "ready")
    assert service.said[-1][1] == "stopping"
    assert True in ran
    assert service.outputs is not None
    for name in ("pump", "fan"):
        assert service.outputs.output(name).read_back() is False


def test_a_late_tick_is_reported_and_the_next_one_is_on_the_grid(service: Service) -> None:
    """Once, and that it is over; one that is late by its own length is none."""
    service.ticks, service.oversleeps = 7, [0.0, TICK_S, TICK_S + 0.1]
    with capture_logs() as logs:
        service.serve()

    at_s = [round(at - 1000.0, 1) for at in service.times("tick")]
    assert at_s == [0, 5, 15, 15, 25.1, 30, 35]
    about = [line for line in logs if line.get("what") == "loop"]
    assert [line["event"] for line in about] == ["fault", "fault_ended"]
    assert about[0]["late_s"] == pytest.approx(TICK_S + 0.1)


@pytest.mark.parametrize(
    ("asked", "file_s_own", "stage"),
    [
        pytest.param(SetStage(name="pinning", instead_of="fruiting"), "fruiting", "pinning"),
        pytest.param(SetStage(name="pinning", instead_of="pinning"), "fruiting", "fruiting"),
        pytest.param(SetStage(name="spawn", instead_of="fruiting"), "fruiting", "fruiting"),
        pytest.param(None, "pinning", "pinning"),
    ],
)
def test_the_stage_that_was_asked_for_last_outlives_a_restart(
    service: Service, asked: SetStage | None, file_s_own: str, stage: str
) -> None:
    """Until the file names another than when it was asked for, or has no such stage any more."""
    if asked is not None:
        ask(service.place / REQUESTS, asked, who="a person")
    with capture_logs() as logs:
        service.serve(stage=f'"{file_s_own}"')

    assert [line["stage"] for line in logs if line["event"] == "started"] == [stage]


def test_a_start_without_probes_leaves_nothing_on_and_no_line_claimed(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The loads that were opened for it are let go."""
    let_go = []
    monkeypatch.setattr(LineLocks, "close", lambda _locks: let_go.append("lines"))
    service.on_bus = False

    with pytest.raises(ProbeError):
        service.serve()

    assert let_go == ["lines"]
    assert service.outputs is not None
    for name in ("pump", "fan"):
        with pytest.raises(OutputError, match="after it was closed"):
            service.outputs.output(name).switch(on=False)


def test_requests_that_cannot_be_moved_stop_no_cooling(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log says so."""

    def settle(_place: Path) -> None:
        raise OSError("no room")

    monkeypatch.setattr(module, "settle", settle)
    with capture_logs() as logs:
        service.serve()

    assert {"event": "requests_not_moved", "error": "no room", "log_level": "warning"} in logs
    assert len(service.times("tick")) == service.ticks


def test_a_watchdog_is_pinged_between_ticks_that_lie_far_apart(service: Service) -> None:
    """At a third of its time, and with each tick."""
    service.watchdog_s = 6.0

    service.serve()

    assert [at - 1000.0 for at in service.times("alive")] == [0, 2, 4, 5, 7, 9, 10]


def test_sums_of_hours_are_kept_by_the_clock_of_the_chamber(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The zone is the site's; each stage of the file is known from its beginning."""
    given: dict[str, Any] = {}

    class Writer(RecordsWriter):
        def __init__(self, path: Path, **options: Any) -> None:
            given.update(options)
            super().__init__(path, **options)

    monkeypatch.setattr(module, "RecordsWriter", Writer)

    service.serve()

    assert given["site"].zone == ZoneInfo("Europe/Lisbon")
    assert given["chamber"] == "hall shelf"
