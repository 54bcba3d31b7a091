"""What goes wrong beside the control stays there: no error, text or missing thread gets past it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from structlog.testing import capture_logs

from controller.cli import off as command
from controller.core.decide import begin
from controller.core.state import Decision, Inputs, Phase, Reason
from controller.domain.places import KEPT_WARMING
from controller.outputs.bounded import BoundedOutput
from controller.outputs.dry import DryOutput
from controller.service.bus import AwaitedBus, StrangerWatch
from controller.service.journal import Journals
from controller.service.kept_wiring import KeptLoad, write_kept_wiring
from controller.service.level_input import LevelInput
from controller.service.newest_writer import NewestWriter
from controller.service.output_bank import OutputBank, close_outputs
from controller.service.serve import _Process
from controller.service.signals import Signals
from controller.service.wiring import plan_of
from controller.service_manager import Notifier
from controller.settings.models import Level
from controller.settings.shipped import shipped_config
from tests.service.test_warming_store import learned_state
from tests.support.laws import make_inputs
from tests.support.waiting import until

ON = Decision(True, True, Phase.COOL, Reason.CALL)
CONFIG = shipped_config("larkmoor-laptop.toml")


class WordlessError(Exception):
    """An error that cannot even say what it is."""

    def __str__(self) -> str:
        raise RuntimeError("no words")


class Bad(DryOutput):
    """An output that raises this at a switch on and at a close."""

    def __init__(self, error: BaseException) -> None:
        super().__init__()
        self._error = error

    def switch(self, on: bool) -> None:
        if on:
            raise self._error
        super().switch(on)

    def close(self) -> None:
        raise self._error


@pytest.mark.parametrize("error", [SystemExit(3), KeyboardInterrupt(), WordlessError()], ids=repr)
@pytest.mark.parametrize("bad", ["pump", "fan"])
def test_whatever_a_driver_raises_everything_goes_off(error: BaseException, bad: str) -> None:
    """A third party's driver that asks to exit, or whose error has no text, ends nothing."""
    inner = {"pump": DryOutput(), "fan": DryOutput()}
    inner[bad] = Bad(error)
    outputs = {name: BoundedOutput(name, lambda one=one: one) for name, one in inner.items()}  # type: ignore[misc]
    for output in outputs.values():
        output.wait_open()
    bank = OutputBank(outputs)

    bank.apply(ON, 0.0)

    assert bank.fault == bad
    assert not any(output.on for output in inner.values())
    bank.close()
    (other,) = (output for name, output in inner.items() if name != bad)
    assert not other.on
    with pytest.raises(Exception, match="closed"):
        other.switch(True)


@pytest.mark.parametrize("error", [None, ValueError("stuck")])
def test_a_load_that_was_closed_before_is_not_taken_for_one_that_hangs(
    error: Exception | None,
) -> None:
    """A reload closed it, and the end of the process closes it again: the same answer, at once."""
    inner = DryOutput() if error is None else Bad(error)
    output = BoundedOutput("pump", lambda: inner)
    output.wait_open()
    bank = OutputBank({"pump": output})

    first, second = close_outputs({"pump": output}), close_outputs({"pump": output})

    assert first == second == ({} if error is None else {"pump": "ValueError: stuck"})
    assert bank.hanging == ()


def test_off_needs_no_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine that has none left: each load is put off all the same."""
    write_kept_wiring(tmp_path, [KeptLoad(name=name, driver="dry", options={}) for name in "ab"])
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(threading.Thread, "start", _no_thread)
    done: list[str] = []
    put_off = command._put_off
    monkeypatch.setattr(
        command,
        "_put_off",
        lambda load: (done.append(f"{load.name} {(out := put_off(load)).is_off}"), out)[1],
    )

    CliRunner().invoke(command.off, [str(tmp_path / "none.toml")])

    assert done[:2] == ["a True", "b True"]


def _no_thread(_thread: threading.Thread) -> None:
    raise RuntimeError("can't start new thread")


def test_a_writer_goes_on_after_any_error() -> None:
    """A thread that had ended would look like a medium that has taken everything."""
    written: list[int] = []

    def write(value: int) -> None:
        if value == 1:
            raise ValueError("not for a file")
        written.append(value)

    writer = NewestWriter[int]("test", write)
    writer.give(1)
    assert not writer.wait_written(5.0)
    assert writer.failed
    writer.give(2)
    assert writer.wait_written(5.0)
    assert writer.close()
    assert written == [2]


def test_a_journal_that_fails_stops_neither_the_others_nor_the_loop() -> None:
    """It is logged once."""

    class Failing:
        def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
            raise WordlessError

    class Counting:
        noted = 0

        def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
            self.noted += 1

    counting = Counting()
    with capture_logs() as logs:
        for at in range(3):
            Journals(Failing(), counting).note(float(at), make_inputs(16.0), ON)

    assert counting.noted == 3
    assert {line["event"] for line in logs} == {"tick_not_noted"}


def test_a_level_switch_that_cannot_be_let_go_ends_no_reload() -> None:
    """The new one is opened, the log names the old one."""

    class Stuck:
        def read(self) -> bool:
            return True

        def close(self) -> None:
            raise RuntimeError("line is gone")

    level = LevelInput(lambda _: Stuck())
    level.configure(Level(pin=22))
    with capture_logs() as logs:
        level.configure(None)

    assert level.read() is None
    assert [line["event"] for line in logs] == ["level_switch_not_closed"]


def test_a_bus_that_cannot_be_opened_is_tried_again(tmp_path: Path) -> None:
    """Whatever its library raises; nothing is read meanwhile, and the loop goes on."""
    tries: list[int] = []

    class Source:
        def collect(self, _now: float) -> list[tuple[str, Any]]:
            return [("air", None)]

        def close(self) -> None:
            pass

    def opening() -> Any:
        tries.append(1)
        if len(tries) < 3:
            raise ImportError("half installed")
        return Source()

    bus = AwaitedBus(tmp_path, opening)
    at = iter(range(0, 100_000, 60))
    with capture_logs() as logs:
        until(lambda: bus.collect(float(next(at))) == [("air", None)])

    assert [line["event"] for line in logs] == ["one_wire_bus_not_opened", "one_wire_bus_there"]


def test_no_thread_for_the_bus_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither for its opening nor for a look at strange probes on it."""
    bus = AwaitedBus(tmp_path, lambda: pytest.fail("not without a thread"))
    watch = StrangerWatch(lambda: ["28-000000000001"], [])
    with monkeypatch.context() as patched, capture_logs() as logs:
        patched.setattr(threading.Thread, "start", _no_thread)
        assert bus.collect(0.0) == []
        assert watch.stranger(lost=True, now=0.0) == ""

    assert [line["event"] for line in logs] == ["no_thread", "no_thread"]
    at = iter(range(100, 100_000, 100))
    until(lambda: "28-000000000001" in watch.stranger(lost=True, now=float(next(at))))


def test_a_look_at_the_bus_that_fails_is_only_logged() -> None:
    """The alarm of the lost probe stands without its note."""

    def lists() -> list[str]:
        raise WordlessError

    watch = StrangerWatch(lists, [])
    with capture_logs() as logs:
        watch.stranger(lost=True, now=0.0)
        until(lambda: "bus_not_surveyed" in {line["event"] for line in logs})
    # the survey of another watch, in a thread of its own, may end meanwhile

    assert watch.stranger(lost=True, now=1.0) == ""


class Probes:
    """A source that has nothing."""

    def collect(self, _now: float) -> list[tuple[str, Any]]:
        return []

    def close(self) -> None:
        raise RuntimeError("a probe's library")


@pytest.fixture
def process(tmp_path: Path) -> Iterator[_Process]:
    """Return the inside of the service with dry loads, not turning."""
    signals = Signals()
    with signals.received():
        yield _Process(
            CONFIG, tmp_path, plan_of(CONFIG), signals=signals, source=lambda *_: Probes()
        )


def fails(*_: object, **__: object) -> None:
    """Raise what cannot say what it is."""
    raise WordlessError


def test_telling_that_fails_stops_no_cooling(process: _Process) -> None:
    """The status cannot be made: one line in the log, and one when it is over."""
    chamber = process._chamber
    publish = process._status.publish
    with capture_logs() as logs:
        process._status.publish = fails  # type: ignore[method-assign]
        for at in range(3):
            process._publish(chamber, ON, Notifier(None), float(at), late_s=0.0)
        process._status.publish = publish  # type: ignore[method-assign]
        process._publish(chamber, ON, Notifier(None), 3.0, late_s=0.0)
    process.close()

    logged = [(line["event"], line.get("what")) for line in logs if line.get("what") == "status"]
    assert logged == [("fault", "status"), ("fault_ended", "status")]


def test_each_part_has_its_turn_at_the_end(process: _Process, tmp_path: Path) -> None:
    """One that raises keeps neither the records nor the timers from being written."""
    process._alarms.close = process._wiring.close = fails  # type: ignore[method-assign]
    with capture_logs() as logs:
        process.close()

    assert [line["what"] for line in logs if line["event"] == "not_closed"] == [
        "source", "alarms", "wiring",
    ]  # fmt: skip
    assert process.all_let_go
    assert (tmp_path / "kept-timers.json").exists()
    assert (tmp_path / "records.sqlite").exists()


def test_what_is_learned_of_the_warming_is_kept_as_it_runs(
    process: _Process, tmp_path: Path
) -> None:
    """By the loop itself, without anybody asking."""
    loop = process._chamber.loop
    learned = learned_state().expectations
    loop._state = replace(begin(0.0), expectations=learned)
    process._publish(process._chamber, ON, Notifier(None), 0.0, late_s=0.0)
    process.close()

    assert (tmp_path / KEPT_WARMING).exists()


def test_a_reload_for_which_there_is_no_thread_changes_nothing(
    process: _Process, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is refused in words; asked for again later, it is done."""
    chamber = process._chamber
    process._signals._note(signal.SIGHUP, None)
    with monkeypatch.context() as patched, capture_logs() as logs:
        patched.setattr(threading.Thread, "start", _no_thread)
        process._reload(Notifier(None))
    process.close()

    assert process._chamber is chamber
    (kept,) = (line for line in logs if line["event"] == "config_kept_as_it_was")
    assert "no thread left" in kept["problem"]


def test_a_reload_whose_probes_cannot_be_opened_changes_nothing(
    process: _Process, tmp_path: Path
) -> None:
    """Whatever their library raises: the old chamber goes on with its loads as they are."""
    faster = tmp_path / "c.toml"
    text = CONFIG.read_text(encoding="utf-8")
    faster.write_text(f'{text}\n[readings]\nevery = "2 s"\n', encoding="utf-8")
    chamber = process._chamber
    process._config = faster
    process._around = replace(process._around, open_source=fails)
    process._signals._note(signal.SIGHUP, None)
    with capture_logs() as logs:
        until(
            lambda: any(line["event"] == "config_kept_as_it_was" for line in logs),
            meanwhile=lambda: process._reload(Notifier(None)),
        )
    process.close()

    assert process._chamber is chamber
    assert [line["problem"] for line in logs if line["event"] == "config_kept_as_it_was"] == [
        "the probes cannot be opened: WordlessError: WordlessError"
    ]


def test_the_status_says_what_is_not_as_it_should_be_beside_the_alarms(
    process: _Process,
) -> None:
    """Requests that cannot be taken, a run that ended with the pump on, a card that keeps none."""
    assert process._notes() == []
    process._requests.fault = "database disk image is malformed"
    process._timers.ended_with_pump_on = "the process was killed"
    process._timers._writer._failed = True

    killed, kept, requests = process._notes()
    process.close()

    assert "The last run ended with the pump on: the process was killed." in killed
    assert "nothing is kept over a power cut" in kept
    assert requests.endswith("malformed")
