"""Lines of the log leave by a thread of their own, and what does not fit is counted."""

from __future__ import annotations

import json
import logging
import os
from collections.abc import Iterator

import pytest

from controller.cli.logs import QueuedLines
from tests.support.waiting import until


class Pipe:
    """A pipe that is read when the test says so; so much fits that nobody has read."""

    def __init__(self) -> None:
        self.read_end, self.write_end = os.pipe()

    def fill(self) -> int:
        """Leave no room in it; return how many bytes are in it."""
        os.set_blocking(self.write_end, False)
        filled = 0
        try:
            while True:
                filled += os.write(self.write_end, b"." * 4096)
        except BlockingIOError:
            os.set_blocking(self.write_end, True)
        return filled

    def take(self, count: int) -> bytes:
        """Read so many bytes."""
        received = b""
        while len(received) < count:
            received += os.read(self.read_end, count - len(received))
        return received

    def line(self) -> str:
        """Read one line."""
        received = b""
        while not received.endswith(b"\n"):
            received += os.read(self.read_end, 1)
        return received.decode()


@pytest.fixture(name="pipe")
def _pipe() -> Iterator[Pipe]:
    pipe = Pipe()
    yield pipe
    os.close(pipe.read_end)
    os.close(pipe.write_end)


def record(text: str) -> logging.LogRecord:
    return logging.LogRecord("coldpin", logging.INFO, "", 0, text, None, None)


def test_lines_come_out_in_order_and_flush_waits_for_them(pipe: Pipe) -> None:
    """Each with its end."""
    lines = QueuedLines(pipe.write_end)
    for number in range(5):
        lines.emit(record(f"line {number} °C"))
    lines.flush()

    assert [pipe.line() for _ in range(5)] == [f"line {number} °C\n" for number in range(5)]
    assert lines.dropped == 0


def test_a_reader_that_does_not_read_costs_lines_and_never_the_writer(pipe: Pipe) -> None:
    """Three fit, one is under way; the rest is counted, and the count is logged once."""
    filled = pipe.fill()
    lines = QueuedLines(pipe.write_end, most_waiting=3)
    lines.emit(record("under way"))
    until(lines._lines.empty)
    for number in range(3):
        lines.emit(record(f"waits {number}"))
    for _ in range(4):
        lines.emit(record("too much"))
    assert lines.dropped == 4

    pipe.take(filled)

    assert pipe.line() == "under way\n"
    assert [pipe.line() for _ in range(3)] == [f"waits {number}\n" for number in range(3)]
    report = json.loads(pipe.line())
    assert (report["event"], report["count"], report["level"]) == (
        "log_lines_dropped", 4, "warning",
    )  # fmt: skip
    assert report["at"].endswith("Z")
    until(lambda: lines.dropped == 0)
    lines.emit(record("and on"))
    assert pipe.line() == "and on\n"


def test_a_line_that_cannot_be_made_is_a_line(pipe: Pipe) -> None:
    """Nothing is raised in the loop."""

    class Broken(logging.Formatter):
        def format(self, record: logging.LogRecord) -> str:
            raise ZeroDivisionError

    lines = QueuedLines(pipe.write_end)
    lines.setFormatter(Broken())
    lines.emit(record("anything"))

    assert json.loads(pipe.line()) == {"event": "log_line_not_printable"}


def test_a_reader_that_has_gone_is_no_matter() -> None:
    """The next line is tried anew, and flush returns."""
    read_end, write_end = os.pipe()
    lines = QueuedLines(write_end)
    os.close(read_end)
    for _ in range(3):
        lines.emit(record("nobody reads"))
    lines.flush()
    os.close(write_end)

    assert lines._lines.empty()
    assert lines.dropped == 0


def test_without_standard_error_lines_go_nowhere() -> None:
    """It was closed at the start."""
    lines = QueuedLines(9_999)
    lines.emit(record("nobody"))
    lines.flush()

    assert lines.dropped == 0
