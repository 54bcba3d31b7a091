"""What the process is asked by signals, and the sleep that they end."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from controller.service.signals import Signals


@pytest.fixture(name="signals")
def _signals() -> Iterator[Signals]:
    signals = Signals()
    with signals.received():
        yield signals


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda n: n.name)
def test_a_signal_asks_for_the_end_by_name(signals: Signals, number: signal.Signals) -> None:
    """Which one, for the log."""
    assert (signals.stop, signals.waiting) == (None, False)

    signal.raise_signal(number)

    assert (signals.stop, signals.waiting) == (number.name, True)
    assert not signals.take_reload()


def test_a_hangup_asks_once_for_the_configuration_to_be_read(signals: Signals) -> None:
    """And for no end."""
    signal.raise_signal(signal.SIGHUP)

    assert (signals.stop, signals.waiting) == (None, True)
    assert signals.take_reload()
    assert not signals.take_reload()
    assert not signals.waiting


def test_a_signal_ends_the_sleep_at_once_and_only_one_sleep(signals: Signals) -> None:
    """Come before it or in it; the next sleep lasts its time, which here is none."""
    ended: list[str] = []

    def hang_up() -> None:
        os.kill(os.getpid(), signal.SIGHUP)

    signal.raise_signal(signal.SIGHUP)
    signals.sleep(3600.0)
    ended.append("before")
    threading.Timer(0.05, hang_up).start()
    signals.sleep(3600.0)
    ended.append("in it")
    signals.sleep(0.0)
    signals.sleep(-1.0)  # a tick that is late already

    assert ended == ["before", "in it"]
    assert signals.take_reload()


def test_a_handler_calls_nothing_that_could_wait(signals: Signals) -> None:
    """A lock taken there may be held by the very code that the signal interrupted."""
    called: list[str] = []

    def note(frame: FrameType, event: str, what: object) -> None:
        if event == "c_call":
            called.append(getattr(what, "__qualname__", repr(what)))
        elif event == "call":
            called.append(f"{Path(frame.f_code.co_filename).stem}.{frame.f_code.co_name}")

    for number in (signal.SIGHUP, signal.SIGTERM):
        sys.setprofile(note)
        try:
            signals._note(number, None)
        finally:
            sys.setprofile(None)

    assert signals.waiting
    assert {name.partition(".")[0] for name in called} <= {"signals", "enum", "setprofile", "types"}


def test_more_signals_than_the_pipe_holds_are_no_error(signals: Signals) -> None:
    """A script that sends them in a loop neither blocks nor ends the process."""
    for _ in range(70_000):
        signal.raise_signal(signal.SIGHUP)
    for _ in range(30):
        signals.sleep(0.0)

    assert signals.take_reload()


def test_a_signal_ends_one_sleep_and_not_the_next(
    signals: Signals, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the loop would turn without a pause from then on."""
    woken: list[bool] = []
    real = select.select

    def watched(*arguments: Any) -> Any:
        result = real(*arguments)
        woken.append(bool(result[0]))
        return result

    monkeypatch.setattr("controller.service.signals.select.select", watched)
    signal.raise_signal(signal.SIGHUP)
    signal.raise_signal(signal.SIGHUP)
    for _ in range(2):
        signals.sleep(0.0)

    assert woken == [True, False]


def test_afterwards_signals_do_what_they_did_before() -> None:
    """A tool that runs the loop for a while gives them back."""
    before = {each: signal.getsignal(each) for each in (signal.SIGTERM, signal.SIGHUP)}
    wake_before = signal.set_wakeup_fd(-1)
    signal.set_wakeup_fd(wake_before)

    with Signals().received():
        assert signal.getsignal(signal.SIGTERM) != before[signal.SIGTERM]

    assert {each: signal.getsignal(each) for each in before} == before
    assert signal.set_wakeup_fd(-1) == wake_before
