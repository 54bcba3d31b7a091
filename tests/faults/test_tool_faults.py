"""A tool that has a load on, and what may end it: the load goes off, and the rest is kept."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service.running import AIR, Bench, bench
from tests.support.waiting import AT_MOST_S


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Bench]:
    """Return a bench whose service does not run."""
    with bench(tmp_path) as made:
        yield made


def relays_with_the_pump_on(here: Bench) -> subprocess.Popen[str]:
    """Start `coldpin relays`, say that the pump is off, and wait until it is on."""
    here.rest_long_ago()
    tool = subprocess.Popen(
        [sys.executable, "-m", "controller", "relays", str(here.config)],
        env=here.environment, stdin=subprocess.PIPE, text=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert tool.stdin is not None
    tool.stdin.write("yes\n")
    tool.stdin.flush()
    here.until(lambda: here.is_on("pump"))
    return tool


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT])
def test_a_signal_ends_a_tool_with_the_load_off(here: Bench, number: signal.Signals) -> None:
    """By the tool itself, before it ends: a lost terminal and a session's end are signals too."""
    with relays_with_the_pump_on(here) as tool:
        tool.send_signal(number)
        assert tool.wait(AT_MOST_S) == 69

    assert here.tape("pump")[-1] == "close off"


def test_a_tool_that_is_killed_leaves_no_load_on_and_its_rest_behind(here: Bench) -> None:
    """The second process switches off; the service then rests as after a run of its own."""
    with relays_with_the_pump_on(here) as tool:
        tool.kill()
    here.until(lambda: here.tape("pump")[-1] == "close off")
    here.tree.set(AIR, 18.0)

    here.start()

    here.until_message("STATUS=held: resting before the next start")


def test_a_tool_that_stands_still_with_a_load_on_is_ended(here: Bench) -> None:
    """The time for which a load may be on does not depend on the tool that switched it on."""
    with relays_with_the_pump_on(here) as tool:
        tool.send_signal(signal.SIGSTOP)
        here.until(lambda: here.tape("pump")[-1] == "close off")
        assert tool.wait(AT_MOST_S) == -signal.SIGKILL
