"""Log lines: one JSON document each, whatever is put into them."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys

from controller.cli.logs import QueuedLines
from tests.support.waiting import until

ODD = """
from controller.cli.logs import set_up_logs
from controller.log import structlog

class NoText:
    def __repr__(self):
        raise RuntimeError("no text")
    __str__ = __repr__

set_up_logs()
log = structlog.get_logger("coldpin")
for value in (b"\\xff\\xfe", float("nan"), float("-inf"), "\\udcff", NoText(), 12.5, None):
    log.info("odd", value=value)
"""


def no_json(word: str) -> float:
    """Refuse what Python's reader takes and the standard (RFC 8259, section 6) does not."""
    raise ValueError(word)


def test_odd_value_is_a_readable_line_and_raises_nothing() -> None:
    """Bytes, no numbers, half a character, an object without a text: each is one JSON line."""
    ran = subprocess.run(
        [sys.executable, "-c", ODD], capture_output=True, text=True, check=True, timeout=60
    )

    lines = [json.loads(line, parse_constant=no_json) for line in ran.stderr.splitlines()]
    assert [line["value"] for line in lines] == [
        "b'\\xff\\xfe'", "nan", "-inf", "\udcff", "<NoText>", 12.5, None,
    ]  # fmt: skip


FOREIGN = """
import logging
from controller.cli.logs import set_up_logs

lines = set_up_logs()
logging.getLogger("uvicorn.error").info("Started server process [%d]", 7)
try:
    raise ValueError("first line\\nsecond line")
except ValueError:
    logging.getLogger("a.dependency").exception("it failed")
lines.flush()
"""


def test_lines_of_libraries_have_the_shape_of_ours() -> None:
    """Plain text and tracebacks between JSON lines stop whoever reads the log line by line."""
    ran = subprocess.run(
        [sys.executable, "-c", FOREIGN], capture_output=True, text=True, check=True, timeout=60
    )

    started, failed = (json.loads(line) for line in ran.stderr.splitlines())
    assert (started["event"], started["logger"], started["level"]) == (
        "Started server process [7]", "uvicorn.error", "info",
    )  # fmt: skip
    assert failed["level"] == "error"
    assert "ValueError: first line\nsecond line" in failed["exception"]
    assert started["at"].endswith("Z")


LIGHT = """
import sys
from controller.log import structlog

assert not {"asyncio", "ssl", "rich"} & set(sys.modules), sorted(sys.modules)
import asyncio, rich
from controller.cli.logs import set_up_logs

lines = set_up_logs()
asyncio.run(structlog.get_logger("coldpin").ainfo("awaited"))
lines.flush()
"""


def test_log_lines_bring_nothing_along_that_they_do_not_need() -> None:
    """And what was left out is there, whole, for whoever imports it later."""
    ran = subprocess.run(
        [sys.executable, "-c", LIGHT], capture_output=True, text=True, check=True, timeout=60
    )

    assert json.loads(ran.stderr)["event"] == "awaited"


def test_lines_that_nobody_reads_are_dropped_and_counted() -> None:
    """Whoever logs never waits; once lines move again, one says how many are missing."""
    read, write = os.pipe()
    lines = QueuedLines(write, most_waiting=20)
    os.close(write)
    lines.setFormatter(logging.Formatter("%(message)s"))
    for number in range(5000):  # far more than a pipe and the queue hold
        lines.emit(logging.makeLogRecord({"msg": f"{number:<200}"}))

    found, accounted = b"", 0
    while accounted < 5000:
        found += os.read(read, 65_536)
        whole = found[: found.rfind(b"\n") + 1].decode().splitlines()
        told = [json.loads(line)["count"] for line in whole if "log_lines_dropped" in line]
        accounted = sum(line[:1].isdigit() for line in whole) + sum(told)
    os.close(read)

    assert accounted == 5000
    assert sum(told) > 0


def test_a_thousand_lines_wait_for_a_reader_and_no_more() -> None:
    """What a chamber logs in hours is kept for a reader that stands still; memory is bounded."""
    read, write = os.pipe()
    lines = QueuedLines(write)
    os.close(write)
    lines.emit(logging.makeLogRecord({"msg": "x" * 200_000}))  # more than a pipe holds
    until(lines._lines.empty, "its thread is stuck with the first line")

    for _ in range(1003):
        lines.emit(logging.makeLogRecord({"msg": "short"}))

    assert lines.dropped == 3
    os.close(read)


def test_whoever_waits_for_the_last_line_waits_no_longer() -> None:
    """At the end of every command: nothing more to write is told to who waits for it."""
    read, write = os.pipe()
    lines = QueuedLines(write)
    os.close(write)

    lines.emit(logging.makeLogRecord({"msg": "the last"}))

    until(lines._idle.is_set, "its thread has nothing more to write")
    assert os.read(read, 100) == b"the last\n"
    os.close(read)
