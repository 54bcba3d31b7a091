"""The control process from start to stop, turned in this one on a clock that its sleeps move."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from controller.core.state import NOTHING_ASKED, Asked, State
from controller.domain.events import BAND, REFUSED, STAGE
from controller.domain.requests import SetStage
from controller.errors import OutputError, ProbeError, SettingsError
from controller.probes.samples import Fault, Sample
from controller.records.reader import read_events
from controller.records.requests_file import REQUESTS, ask, asked_since
from controller.records.writer import RecordsWriter
from controller.service import serve as module
from controller.service.clock import SystemClock
from controller.service.locks import LineLocks
from controller.service.output_bank import OutputBank
from controller.service.pending_requests import PendingRequests
from controller.service.serve import REFUSED_EVERY_S, DriverHangsError
from controller.service.signals import Signals
from controller.service.status_publisher import StatusPublisher
from controller.service.wiring import Plan, open_outputs, plan_of
from controller.service.wiring_store import WiringStore
from controller.service_manager import Notifier
from controller.settings.load import Settings
from controller.settings.shipped import shipped_config

TICK_S = 5.0
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
WARM_MC, COLD_MC, ROOM_MC = 25_000, 4_000, 28_000


@dataclass
class Service(Notifier):
    """One control process: its manager, its probes and its clock."""

    place: Path
    ticks: int = 3
    each_tick: Callable[[], object] = lambda: None
    now: float = 1000.0
    watchdog_s: float | None = None
    notified: list[tuple[float, str]] = field(default_factory=list)
    outputs: OutputBank | None = None
    on_bus: bool = True
    oversleeps: list[float] = field(default_factory=list)
    """How much longer than asked for each sleep lasts [s]; not at all after the last."""

    def ready(self) -> None:
        self.notified.append((self.now, "ready"))

    def reloading(self) -> None:
        self.notified.append((self.now, "reloading"))

    def stopping(self) -> None:
        self.notified.append((self.now, "stopping"))

    def alive(self) -> None:
        self.notified.append((self.now, "alive"))

    def status(self, line: str) -> None:
        """Comes once a tick, after the switching."""
        self.notified.append((self.now, "tick"))
        self.each_tick()
        if sum(what == "tick" for _, what in self.notified) >= self.ticks:
            os.kill(os.getpid(), signal.SIGTERM)

    def times(self, what: str) -> list[float]:
        return [at for at, each in self.notified if each == what]

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

        def local(self) -> datetime:
            # by night another band is in force
            return super().local().replace(hour=12)

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
    assert service.notified[0] == (1000.0, "ready")
    assert service.notified[-1][1] == "stopping"
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


def started_in(service: Service, stage: str) -> str:
    """Serve with this stage in the file, and return the one that it began in."""
    service.notified.clear()
    with capture_logs() as logs:
        service.serve(stage=f'"{stage}"')
    (line,) = (each for each in logs if each["event"] == "started")
    return str(line["stage"])


def test_a_stage_of_the_last_crop_does_not_come_back(service: Service) -> None:
    """Asked for, then named by the file, then the file names the former one for the next crop."""
    asked = SetStage(name="pinning", instead_of="fruiting")
    ask(service.place / REQUESTS, asked, who="a person")

    assert [started_in(service, "fruiting") for _ in range(2)] == ["pinning", "pinning"]
    assert started_in(service, "pinning") == "pinning"
    assert [started_in(service, "fruiting") for _ in range(2)] == ["fruiting", "fruiting"]
    ask(service.place / REQUESTS, asked, who="a person")
    assert started_in(service, "fruiting") == "pinning"


def test_a_stage_that_a_reload_has_left_does_not_come_back(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same without a stop; the page shows that the configuration did it."""

    def each_tick() -> None:
        turns = len(service.times("tick"))
        if turns in {2, 4}:
            config = service.place / "shelf.toml"
            text = config.read_text(encoding="utf-8")
            old, new = ("fruiting", "pinning") if turns == 2 else ("pinning", "fruiting")
            assert f'stage = "{old}"' in text
            text = text.replace(f'stage = "{old}"', f'stage = "{new}"', 1)
            config.write_text(text, encoding="utf-8")
            os.kill(os.getpid(), signal.SIGHUP)

    monkeypatch.setattr(module, "ConfigurationReading", Read)
    asked = SetStage(name="pinning", instead_of="fruiting")
    ask(service.place / REQUESTS, asked, who="a person")
    service.ticks, service.each_tick = 6, each_tick
    assert started_in(service, "fruiting") == "pinning"

    service.ticks, service.each_tick = 3, lambda: None
    assert started_in(service, "fruiting") == "fruiting"
    by_whom = {each.who for each in asked_since(service.place / REQUESTS, LONG_AGO)}
    assert by_whom == {"a person", "configuration"}


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


class Asking:
    """Stands in for the requests: calls what a request would call, at one tick."""

    fault = None

    def __init__(self, do: Callable[[Callable[[str], str]], object], at_tick: int) -> None:
        self.do, self.left = do, at_tick

    def __call__(self, _path: Path, *, set_stage: Callable[[str], str], **_more: Any) -> Asking:
        self.set_stage = set_stage
        return self

    def take(self, _state: State) -> Asked:
        self.left -= 1
        if not self.left:
            self.do(self.set_stage)
        return NOTHING_ASKED

    def close(self) -> None:
        """Nothing."""


def test_a_stage_that_is_asked_for_is_in_force_at_that_tick(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is an event of the records; one that the file has not changes nothing."""
    answers: list[str] = []

    def ask_for_both(set_stage: Callable[[str], str]) -> None:
        answers.extend([set_stage("pinning"), set_stage("spawn")])

    monkeypatch.setattr(module, "PendingRequests", Asking(ask_for_both, at_tick=3))
    service.ticks = 4

    service.serve()

    assert answers == ["stage pinning in force", 'no stage "spawn", allowed: fruiting, pinning']
    events = read_events(service.place / "records.sqlite", since=LONG_AGO, kinds={STAGE, BAND})
    assert [event.name for event in events] == [
        "fruiting", "15500 17000", "pinning", "13500 14500"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("hangs", "ends_after_s"),
    [
        pytest.param({"pump": (0, 99)}, 5.0, id="pump"),
        pytest.param({"fan": (2, 99)}, 15.0, id="fan-later"),
        pytest.param({"pump": (0, 1), "fan": (3, 99)}, 20.0, id="one-that-came-back"),
        pytest.param({"signal": (0, 99)}, None, id="signal"),
    ],
)
def test_a_driver_that_hangs_ends_the_process_so_that_another_may_switch_off(
    service: Service,
    monkeypatch: pytest.MonkeyPatch,
    hangs: dict[str, tuple[int, int]],
    ends_after_s: float | None,
) -> None:
    """Pump or fan, for five seconds without a break; a signal stops no cooling."""

    def hanging(_bank: OutputBank) -> tuple[str, ...]:
        tick = (service.now - 1000.0) / TICK_S
        return tuple(name for name, (first, end) in hangs.items() if first <= tick < end)

    monkeypatch.setattr(OutputBank, "hanging", property(hanging))
    service.ticks = 10
    if ends_after_s is None:
        assert service.serve() is False  # and the end does not wait for it
        return
    with pytest.raises(DriverHangsError, match=f"the driver of {[*hangs][-1]} has not answered"):
        service.serve()

    assert service.now - 1000.0 == ends_after_s


def test_readings_that_are_refused_are_summed_up_each_quarter_of_an_hour(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One event for each probe and reason; nothing where none was refused."""
    fine = service.collect

    def collect(now: float) -> Sequence[tuple[str, Sample]]:
        bad = now < 1000.0 + 4 * TICK_S
        return [("air", Sample(now, None, Fault.EMPTY)), *fine(now)[1:]] if bad else fine(now)

    service.ticks = 2 * round(REFUSED_EVERY_S / TICK_S) + 2
    monkeypatch.setattr(service, "collect", collect)

    service.serve()

    (event,) = read_events(service.place / "records.sqlite", since=LONG_AGO, kinds={REFUSED})
    assert (event.name, event.detail) == ("air", f"4 {Fault.EMPTY.value}")


@pytest.mark.parametrize(("busy_times", "opens"), [(4, True), (5, False)])
def test_a_line_that_is_busy_for_a_moment_is_tried_again(
    service: Service, monkeypatch: pytest.MonkeyPatch, busy_times: int, opens: bool
) -> None:
    """Five times, a second apart."""
    tries = []

    def busy(plan: Plan) -> OutputBank:
        tries.append(service.now - 1000.0)
        if len(tries) <= busy_times:
            raise OutputError("line busy")
        return open_outputs(plan)

    monkeypatch.setattr(module, "open_outputs", busy)
    if opens:
        assert service.serve()
    else:
        with pytest.raises(OutputError, match="line busy"):
            service.serve()

    assert tries == [0.0, 1.0, 2.0, 3.0, 4.0]


class Read:
    """Stands in for a configuration that a thread reads: it is done at once."""

    done = True

    def __init__(self, config: Path, _old: Plan, _wiring: WiringStore) -> None:
        self.problems: tuple[str, ...] = ()
        self.plan: Plan | None = None
        try:
            self.plan = plan_of(config)
        except SettingsError as error:
            self.problems = error.problems


@pytest.mark.parametrize(
    ("before", "after", "log", "events"),
    [
        pytest.param(
            'stage = "fruiting"', 'stage = "pinning"',
            {"event": "config_reloaded", "stage": "pinning"},
            ["fruiting", "15500 17000", "pinning", "13500 14500"], id="stage",
        ),
        pytest.param(
            'cut_in = "17 C"', 'cut_in = "18 C"', {"event": "config_reloaded", "stage": "fruiting"},
            ["fruiting", "15500 17000", "15500 18000"], id="band",
        ),
        pytest.param(
            'cut_in = "17 C"', 'cut_in = "15 C"', {"event": "config_kept_as_it_was"},
            ["fruiting", "15500 17000"], id="not-usable",
        ),
        pytest.param(
            "[timing]", '[records]\npath = "elsewhere.sqlite"\n[timing]',
            {"event": "config_kept_as_it_was"}, ["fruiting", "15500 17000"], id="records-elsewhere",
        ),
    ],
)  # fmt: skip
def test_a_file_is_read_again_at_a_signal(
    service: Service,
    monkeypatch: pytest.MonkeyPatch,
    before: str,
    after: str,
    log: dict[str, str],
    events: list[str],
) -> None:
    """Taken over whole, or not at all; the manager hears of the beginning and the end."""

    def each_tick() -> None:
        if len(service.times("tick")) == 2:
            config = service.place / "shelf.toml"
            text = config.read_text(encoding="utf-8")
            assert before in text
            config.write_text(text.replace(before, after, 1), encoding="utf-8")
            os.kill(os.getpid(), signal.SIGHUP)

    monkeypatch.setattr(module, "ConfigurationReading", Read)
    service.ticks, service.each_tick = 4, each_tick
    with capture_logs() as logs:
        service.serve()

    assert [what for _, what in service.notified if what not in {"tick", "alive"}] == [
        "ready", "reloading", "ready", "stopping"
    ]  # fmt: skip
    assert any(log.items() <= line.items() for line in logs)
    path = service.place / "records.sqlite"
    kept = read_events(path, since=LONG_AGO, kinds={STAGE, BAND})
    assert [event.name for event in kept] == events


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ('cut_in = "17 C"', 'cut_in = "15 C"', "stages.fruiting.cut_out: found 15.5 °C"),
        (
            "[timing]",
            '[records]\npath = "elsewhere.sqlite"\n[timing]',
            "restart it to keep its records there: sudo systemctl restart coldpin@shelf",
        ),
    ],
    ids=["not-usable", "records-elsewhere"],
)
def test_a_configuration_that_was_not_taken_is_a_note_until_one_is(
    service: Service, monkeypatch: pytest.MonkeyPatch, before: str, after: str, says: str
) -> None:
    """`systemctl reload` ends well, and few read the log: page and status say it too."""
    notes: list[list[str]] = []

    def publish(_: StatusPublisher, _chamber: object, **more: Any) -> None:
        notes.append(list(more["notes"]))

    def each_tick() -> None:
        turns = len(service.times("tick"))
        if turns in {2, 4}:
            config = service.place / "shelf.toml"
            text = config.read_text(encoding="utf-8")
            old, new = (before, after) if turns == 2 else (after, before)
            assert old in text
            config.write_text(text.replace(old, new, 1), encoding="utf-8")
            os.kill(os.getpid(), signal.SIGHUP)

    monkeypatch.setattr(module, "ConfigurationReading", Read)
    monkeypatch.setattr(StatusPublisher, "publish", publish)
    service.ticks, service.each_tick = 6, each_tick
    service.serve()

    assert [len(each) for each in notes] == [0, 0, 1, 1, 0, 0]
    assert notes[2] == notes[3]
    assert notes[2][0].startswith("The configuration was read again and cannot be used")
    assert says in notes[2][0]


def test_a_reload_changes_how_long_every_reading_is_kept(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thread that thins them goes by it from then on."""
    kept: list[float] = []

    def each_tick() -> None:
        kept.append(writers[0].keep_detail_s)
        if len(kept) == 2:
            config = service.place / "shelf.toml"
            text = config.read_text(encoding="utf-8")
            config.write_text(f'{text}\n[records]\nkeep_detail = "3 d"\n', encoding="utf-8")
            os.kill(os.getpid(), signal.SIGHUP)

    writers: list[RecordsWriter] = []

    class Kept(RecordsWriter):
        def __init__(self, *arguments: Any, **named: Any) -> None:
            writers.append(self)
            super().__init__(*arguments, **named)

    monkeypatch.setattr(module, "ConfigurationReading", Read)
    monkeypatch.setattr(module, "RecordsWriter", Kept)
    service.ticks, service.each_tick = 4, each_tick
    service.serve()

    assert kept == [30 * 86_400.0, 30 * 86_400.0, 3 * 86_400.0, 3 * 86_400.0]


def test_records_that_were_set_aside_are_a_note(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reports begin anew then, and whoever reads one must know why."""
    notes: list[list[str]] = []

    def publish(_: StatusPublisher, _chamber: object, **more: Any) -> None:
        notes.append(list(more["notes"]))

    class Damaged(RecordsWriter):
        def __init__(self, path: Path, **named: Any) -> None:
            super().__init__(path, **named)
            self.set_aside = path.with_name("records.sqlite.damaged-1")

    monkeypatch.setattr(module, "RecordsWriter", Damaged)
    monkeypatch.setattr(StatusPublisher, "publish", publish)
    service.serve()

    ((note,),) = {tuple(each) for each in notes}
    assert note.startswith("The records were damaged")
    assert str(service.place / "records.sqlite.damaged-1") in note


def test_requests_that_were_set_aside_are_a_note(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last pack change is not known any more, and only a person knows it."""
    notes: list[list[str]] = []

    def publish(_: StatusPublisher, _chamber: object, **more: Any) -> None:
        notes.append(list(more["notes"]))

    class Damaged(PendingRequests):
        def __init__(self, path: Path, **named: Any) -> None:
            super().__init__(path, **named)
            self.set_aside = path.with_name("requests.sqlite.damaged-1")

    monkeypatch.setattr(module, "PendingRequests", Damaged)
    monkeypatch.setattr(StatusPublisher, "publish", publish)
    service.serve()

    ((note,),) = {tuple(each) for each in notes}
    assert "requests.sqlite.damaged-1" in note
    assert "Log again when the packs were last changed" in note
