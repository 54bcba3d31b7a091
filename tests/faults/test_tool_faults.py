"""A tool that has a load on, and what may end it: the load goes off, and the rest is kept."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.commissioning import standby
from controller.commissioning.ending import end, started_at
from controller.commissioning.load_guard import GRACE_S, MANAGER_GRACE_S, LoadGuard
from tests.service.running import AIR, Bench, bench
from tests.support.waiting import AT_MOST_S


@pytest.fixture
def instance(tmp_path: Path) -> Iterator[Bench]:
    """Return a bench whose service does not run."""
    with bench(tmp_path) as made:
        yield made


def relays_with_the_pump_on(instance: Bench) -> subprocess.Popen[str]:
    """Start `coldpin relays`, say that the pump is off, and wait until it is on."""
    instance.rest_long_ago()
    tool = subprocess.Popen(
        [sys.executable, "-m", "controller", "relays", str(instance.config)],
        env=instance.environment, stdin=subprocess.PIPE, text=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert tool.stdin is not None
    tool.stdin.write("yes\n")
    tool.stdin.flush()
    instance.until(lambda: instance.is_on("pump"))
    return tool


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT])
def test_a_signal_ends_a_tool_with_the_load_off(instance: Bench, number: signal.Signals) -> None:
    """By the tool itself, before it ends: a lost terminal and a session's end are signals too."""
    with relays_with_the_pump_on(instance) as tool:
        tool.send_signal(number)
        assert tool.wait(AT_MOST_S) == 69

    assert instance.tape("pump")[-1] == "close off"


@pytest.mark.parametrize("interrupted", [False, True], ids=["by-itself", "by-a-signal"])
def test_a_load_that_does_not_go_off_is_said_and_tried_on(
    instance: Bench, interrupted: bool
) -> None:
    """No word of "off" then; the second process goes on trying, and has it once it obeys."""
    stays_on = instance.folder / "pump.stays-on"
    with relays_with_the_pump_on(instance) as tool:
        stays_on.touch()
        if interrupted:
            tool.send_signal(signal.SIGINT)
        _, said = tool.communicate(timeout=AT_MOST_S)
    assert tool.returncode == 69
    assert said == (
        "pump could not be switched off and may be running: the tape does not answer. "
        "Cut the supply by hand now\n"
    )
    assert instance.is_on("pump")
    stays_on.unlink()

    instance.until(lambda: instance.tape("pump")[-1] == "close off")


@pytest.mark.parametrize("hangs_in", ["switch", "close"])
def test_a_driver_that_hangs_holds_no_tool_up(instance: Bench, hangs_in: str) -> None:
    """The tool ends by itself and says so; nobody has to wait until it is killed."""
    instance.write_config(f'hangs_in = "{hangs_in}"')
    instance.rest_long_ago()
    tool = subprocess.run(
        [sys.executable, "-m", "controller", "relays", "--only", "pump", str(instance.config)],
        env=instance.environment, input="yes\nyes\n", text=True, capture_output=True, check=False,
    )  # fmt: skip
    assert tool.returncode == 69
    assert "has not answered within 1 s" in tool.stderr


def test_a_tool_that_is_killed_leaves_no_load_on_and_its_rest_behind(instance: Bench) -> None:
    """The second process switches off; the service then rests as after a run of its own."""
    with relays_with_the_pump_on(instance) as tool:
        tool.kill()
    instance.until(lambda: instance.tape("pump")[-1] == "close off")
    instance.tree.set(AIR, 18.0)

    instance.start()

    instance.until_message("STATUS=held: resting before the next start")


def test_a_tool_that_stands_still_with_a_load_on_is_ended(instance: Bench) -> None:
    """The time for which a load may be on does not depend on the tool that switched it on."""
    with relays_with_the_pump_on(instance) as tool:
        tool.send_signal(signal.SIGSTOP)
        instance.until(lambda: instance.tape("pump")[-1] == "close off")
        assert tool.wait(AT_MOST_S) == -signal.SIGKILL


@pytest.fixture
def manager(instance: Bench, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the record of a stand-in for systemd-run and systemctl, which obey as told."""
    record, programs = instance.folder / "manager", instance.folder / "programs"
    programs.mkdir()
    for name in ("systemd-run", "systemctl"):
        program = programs / name
        program.write_text(
            f'#!/bin/sh\n{{ printf "%s" {name}; for each; do printf "\\t%s" "$each"; done; echo; }}'
            f' >> "{record}"\n'
            f'[ ! -e "{instance.folder}/refuses" ] || {{ echo no bus >&2; exit 1; }}\n'
        )
        program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{programs}:{os.environ['PATH']}")
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "PYTHONPATH"):
        monkeypatch.setenv(name, instance.environment[name])
    monkeypatch.setattr(standby, "MANAGER", instance.folder)
    monkeypatch.setattr(os, "getuid", lambda: 0)
    if os.geteuid() != 0:
        popen = subprocess.Popen

        def as_this_user(*arguments: Any, **more: Any) -> subprocess.Popen[Any]:
            return popen(*arguments, **{**more, "user": None})

        monkeypatch.setattr(subprocess, "Popen", as_this_user)
    return record


def commands(record: Path) -> list[list[str]]:
    """Return what the service manager was asked for."""
    return [line.split("\t") for line in record.read_text(encoding="utf-8").splitlines()]


def test_the_service_manager_stands_by_while_a_load_is_on(instance: Bench, manager: Path) -> None:
    """Armed before the load, taken away after it, and later than the tool's second process."""
    guard = LoadGuard(instance.config, instance.state, rest_s=0.0, say=pytest.fail)
    with guard.energised("fan", 5.0):
        (armed,) = commands(manager)
    assert armed[0] == "systemd-run"
    (unit,) = (each.removeprefix("--unit=") for each in armed if each.startswith("--unit="))
    assert f"--on-active={5.0 + GRACE_S + MANAGER_GRACE_S:.1f}s" in armed
    assert f"--setenv=STATE_DIRECTORY={instance.state}" in armed
    assert commands(manager)[1:] == [["systemctl", "--quiet", "stop", f"{unit}.timer"]]


@pytest.mark.usefixtures("manager")
def test_a_service_manager_that_refuses_is_reported_and_the_second_process_remains(
    instance: Bench,
) -> None:
    """The person hears it; the load may go on."""
    (instance.folder / "refuses").touch()
    lines: list[str] = []
    with LoadGuard(instance.config, instance.state, rest_s=0.0, say=lines.append).energised(
        "fan", 5.0
    ):
        assert lines == [
            "The service manager does not stand by (no bus); the tool's second process does."
        ]


def test_what_the_service_manager_runs_ends_the_tool_and_switches_off(
    instance: Bench, manager: Path
) -> None:
    """Tool and second process killed in one blow: the timer's command leaves no load on."""
    instance.rest_long_ago()
    child = subprocess.Popen(
        [
            sys.executable,
            "-c",
            HOLDS.format(config=str(instance.config), state=str(instance.state)),
        ],
        env={**instance.environment, "PATH": os.environ["PATH"]},
    )
    try:
        instance.until(lambda: instance.is_on("fan"))
        (armed,) = commands(manager)
        watcher = int((instance.folder / "watcher").read_text(encoding="utf-8"))
        os.kill(watcher, signal.SIGKILL)
        os.kill(child.pid, signal.SIGSTOP)
        assert instance.is_on("fan")
        command = armed[armed.index(sys.executable) :]
        assert subprocess.run(command, env=instance.environment, check=False).returncode == 0
        assert child.wait(AT_MOST_S) == -signal.SIGKILL
    finally:
        child.kill()
        child.wait(AT_MOST_S)
    assert instance.tape("fan")[-1] == "close off"


def test_a_process_id_that_came_again_is_not_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """An id alone names nobody: the start of the process is compared too."""
    ended: list[tuple[int, int]] = []
    monkeypatch.setattr(os, "kill", lambda *what: ended.append(what))
    ours = os.getpid()
    end(ours, "1")
    end(ours, "")
    assert ended == []
    end(ours, started_at(ours))
    assert ended == [(ours, signal.SIGKILL)]


HOLDS = """
import os, subprocess, time
from pathlib import Path
from controller.commissioning import load_guard, standby
from controller.outputs.registry import find_driver
from controller.service.wiring import plan_of
config, state = Path({config!r}), Path({state!r})
standby.MANAGER, os.getuid = state, lambda: 0
popen = subprocess.Popen
def kept(*arguments, **more):
    if os.geteuid() != 0:
        more["user"] = None  # only root may name another
    process = popen(*arguments, **more)
    if "controller.commissioning.load_guard" in arguments[0]:
        Path(config.parent, "watcher").write_text(str(process.pid))
    return process
load_guard.subprocess.Popen = kept
fan = next(load for load in plan_of(config).loads if load.name == "fan")
output = find_driver(fan.driver_name).open(fan.options)
with load_guard.LoadGuard(config, state, rest_s=0.0, say=print).energised("fan", 600.0):
    output.switch(True)
    time.sleep(600)
"""
