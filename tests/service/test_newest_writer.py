"""The thread that writes the newest value: who waits for it, and what a full medium does."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from structlog.testing import capture_logs

from controller.service.newest_writer import NewestWriter
from tests.support.waiting import AT_MOST_S


class Medium:
    """Takes values one at a time: when it is let, and while it is not full."""

    def __init__(self) -> None:
        self.written: list[str] = []
        self.marked = 0
        self.full = False
        self.at_work = threading.Event()
        self.free = threading.Event()
        self.free.set()

    def write(self, value: str) -> None:
        self.at_work.set()
        assert self.free.wait(AT_MOST_S)
        if self.full:
            raise OSError(28, "No space left on device")
        self.written.append(value)

    def mark(self) -> None:
        self.marked += 1


@pytest.fixture(name="medium")
def _medium() -> Iterator[Medium]:
    medium = Medium()
    yield medium
    medium.free.set()


def test_what_a_newer_value_has_overtaken_is_left_out(medium: Medium) -> None:
    """While one is written, any number may be given; the last of them is written next."""
    medium.free.clear()
    writer = NewestWriter[str]("value", medium.write)
    writer.give("first")
    assert medium.at_work.wait(AT_MOST_S)
    for value in ("second", "third", "fourth"):
        writer.give(value)

    assert not writer.wait_written(0.0)  # and comes back though the medium hangs
    medium.free.set()
    assert writer.wait_written(AT_MOST_S)
    assert medium.written == ["first", "fourth"]
    assert writer.close()


def test_the_end_writes_what_still_waits(medium: Medium) -> None:
    """Given before the end, written by then."""
    writer = NewestWriter[str]("value", medium.write)
    writer.give("last")

    assert writer.close(AT_MOST_S)
    assert medium.written == ["last"]


def test_the_end_does_not_wait_for_a_medium_that_hangs(medium: Medium) -> None:
    """It says that the value may not be there."""
    medium.free.clear()
    writer = NewestWriter[str]("value", medium.write)
    writer.give("never")
    assert medium.at_work.wait(AT_MOST_S)

    assert not writer.close(0.01)


def test_a_full_medium_is_logged_once_and_once_when_it_is_over(medium: Medium) -> None:
    """Each failure is passed on; whoever waits is not kept waiting, and hears that it failed."""
    writer = NewestWriter[str]("value", medium.write, on_failure=medium.mark)
    assert not writer.failed
    medium.full = True
    with capture_logs() as logs:
        for value in ("a", "b"):
            writer.give(value)
            assert not writer.wait_written(AT_MOST_S)
        assert (writer.failed, medium.marked) == (True, 2)
        medium.full = False
        for value in ("c", "d"):
            writer.give(value)
            assert writer.wait_written(AT_MOST_S)

    assert (writer.failed, medium.marked, medium.written) == (False, 2, ["c", "d"])
    assert [(line["event"], line["what"]) for line in logs] == [
        ("not_written", "value"),
        ("written_again", "value"),
    ]
    assert "No space" in logs[0]["error"]
    assert writer.close()


def test_an_end_after_a_failure_says_so(medium: Medium) -> None:
    """The newest value is not on the medium."""
    writer = NewestWriter[str]("value", medium.write)
    medium.full = True
    writer.give("lost")

    assert not writer.close(AT_MOST_S)
