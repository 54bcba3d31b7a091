"""Faults around the process: nobody reads, nothing can be written, a driver hangs, two want one.

Each expectation is one that an outside attack had seen broken: acting waited for telling or for
writing, or a record was believed that proved nothing.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from controller.records.status_file import STATUS
from controller.service.kept_wiring import read_kept_wiring
from tests.faults.bench import small_medium
from tests.service.running import AIR, WATER, Bench, bench
from tests.support.machine import needs
from tests.support.time_zones import zone_file
from tests.support.waiting import AT_MOST_S

PIPE_BYTES = 4096


@pytest.fixture
def instance(tmp_path: Path) -> Iterator[Bench]:
    """Return a bench whose service has not started yet."""
    with bench(tmp_path) as made:
        yield made


@contextlib.contextmanager
def full_pipe() -> Iterator[int]:
    """Give the writing end of a pipe that is full, and whose reader is there and never reads."""
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(write, b"x" * PIPE_BYTES)
    os.set_blocking(write, True)
    try:
        yield write
    finally:
        os.close(read)
        os.close(write)


def cool(instance: Bench, **environment: str) -> None:
    """Start the service, and wait until pump and fan are on."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    instance.start(**environment)
    instance.until(lambda: instance.is_on("fan"))


def killed_while_on(instance: Bench) -> None:
    """Leave both loads on, and nobody there."""
    cool(instance)
    instance.signal(signal.SIGKILL)
    instance.ended()
    assert instance.is_on("pump")
    assert instance.is_on("fan")


def off(instance: Bench, *, stdout: int, stderr: int, **environment: str) -> int:
    """Run `coldpin off` and return its exit status; one that hangs fails."""
    return subprocess.run(
        [sys.executable, "-m", "controller", "off", str(instance.config)],
        env={**instance.environment, **environment},
        stdout=stdout, stderr=stderr, timeout=AT_MOST_S, check=False,
    ).returncode  # fmt: skip


def test_a_log_that_nobody_reads_stops_nothing(instance: Bench) -> None:
    """Standard error is full from the first line on: it starts, trips and ends all the same."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    with full_pipe() as stderr:
        instance.start(stderr=stderr)
        instance.until(lambda: instance.is_on("fan"))
        instance.tree.set(AIR, 9.0)
        instance.until(lambda: instance.tape("pump")[-1] == "off")
        instance.until_message("WATCHDOG=1")
        instance.signal(signal.SIGTERM)
        assert instance.process is not None
        assert instance.process.wait(AT_MOST_S) == 0

    assert instance.tape("pump")[-1] == instance.tape("fan")[-1] == "close off"


@pytest.mark.parametrize("where", ["pipe that nobody reads", "full disk", "closed"])
def test_off_switches_every_load_whoever_reads(instance: Bench, where: str) -> None:
    """Words come after the loads, and wait for nobody."""
    killed_while_on(instance)

    with contextlib.ExitStack() as stack:
        if where == "pipe that nobody reads":
            target = stack.enter_context(full_pipe())
        elif where == "full disk":
            target = os.open("/dev/full", os.O_WRONLY)
            stack.callback(os.close, target)
        else:
            read, target = os.pipe()
            os.close(read)
            stack.callback(os.close, target)
        status = off(instance, stdout=target, stderr=target)

    assert status == 0
    assert instance.tape("pump")[-1] == instance.tape("fan")[-1] == "close off"


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        pytest.param("raises_at_open = true", "no such tape", id="raises"),
        pytest.param('hangs_in = "open"', "cut its supply by hand", id="hangs-in-open"),
        pytest.param('hangs_in = "close"', "cut its supply by hand", id="hangs-in-close"),
    ],
)
def test_off_gives_each_load_its_turn_whatever_the_other_does(
    instance: Bench, trouble: str, words: str
) -> None:
    """The pump's driver fails in a way of its own; the fan goes off, and the pump is named."""
    killed_while_on(instance)
    kept = instance.state / "kept-wiring.json"
    loads = json.loads(kept.read_text(encoding="utf-8"))
    key, _, value = trouble.partition(" = ")
    loads[0]["options"][key] = json.loads(value)
    for place in (instance.state, instance.folder / "run"):
        (place / "kept-wiring.json").write_text(json.dumps(loads), encoding="utf-8")
    instance.config.write_text("broken", encoding="utf-8")

    ran = instance.command("off", str(instance.config))

    assert instance.tape("fan")[-1] == "close off"
    assert ran.returncode == 69
    assert words in ran.stderr
    assert "fan: off" in ran.stdout


def test_off_needs_no_state_directory(instance: Bench) -> None:
    """It cannot be made, no home is there: what CONFIG names goes off."""
    killed_while_on(instance)

    status = off(
            instance, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            STATE_DIRECTORY="", RUNTIME_DIRECTORY="", XDG_STATE_HOME="", HOME="/proc/nowhere",
        )  # fmt: skip

    assert status == 0
    assert instance.tape("pump")[-1] == instance.tape("fan")[-1] == "close off"


def test_off_says_that_the_service_still_runs(instance: Bench) -> None:
    """Off now, and on again at its next decision: who runs it must know."""
    cool(instance)

    ran = instance.command("off", str(instance.config))

    assert instance.process is not None
    assert f"coldpin still runs on this chamber (pid {instance.process.pid})" in ran.stderr
    assert ran.returncode == 75


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[Path]:
    """Give a state directory on a medium that became read-only, as a worn card does."""
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(small_medium(folder))
            subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        except (OSError, subprocess.CalledProcessError) as error:
            pytest.skip(f"this user may mount no file system: {error}")
        yield place


def test_a_read_only_card_keeps_no_chamber_warm(instance: Bench) -> None:
    """It starts, rests its whole time before it cools, and says that it keeps nothing."""
    instance.tree.set(AIR, 18.0)
    with read_only(instance.folder) as place:
        instance.start(STATE_DIRECTORY=str(place))
        instance.until_message("STATUS=held: resting before the next start")
        instance.until(lambda: instance.is_on("fan"))
        instance.signal(signal.SIGTERM)
        status, lines = instance.ended()

    assert status == 0
    assert "nothing_kept" in {line["event"] for line in lines}
    assert instance.tape("pump")[-1] == "close off"


@needs("root", "mount")
def test_a_change_of_the_systems_time_zone_is_followed(instance: Bench) -> None:
    """`timedatectl set-timezone` while it runs: the bands by the hour are those of the new zone."""
    zone = instance.folder / "localtime"
    zone.write_bytes(zone_file("UTC"))
    status = instance.folder / "run" / STATUS
    own = f'unset TZ; mount --bind "{zone}" /etc/localtime && exec "$@"'
    instance.start(under=["unshare", "--mount", "sh", "-c", own, "sh"])
    instance.until(status.exists)
    assert read_as_of(status).utcoffset() == timedelta()
    zone.write_bytes(zone_file("Asia/Kathmandu"))
    os.utime(zone, (0, 0))  # the C library looks at whole seconds

    instance.until(lambda: read_as_of(status).utcoffset() == timedelta(hours=5, minutes=45))


def read_as_of(status: Path) -> datetime:
    """Return the local time of a status file."""
    return datetime.fromisoformat(json.loads(status.read_text(encoding="utf-8"))["as_of"])


def test_a_state_directory_that_cannot_be_made_keeps_no_chamber_warm(instance: Bench) -> None:
    """No home, no systemd: memory serves, and the log says so."""
    instance.tree.set(AIR, 18.0)
    instance.start(STATE_DIRECTORY="", XDG_STATE_HOME="/proc/nowhere")
    instance.until_message("STATUS=held: resting before the next start")
    instance.signal(signal.SIGTERM)
    status, lines = instance.ended()

    assert status == 0
    assert "no_state_directory" in {line["event"] for line in lines}


def test_a_stale_record_on_a_full_card_shortens_no_rest(instance: Bench) -> None:
    """Killed with the pump on while nothing could be written: "off since an hour" is no proof."""
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(small_medium(instance.folder))
        except OSError as error:
            pytest.skip(f"this user may mount no file system: {error}")
        instance.rest_long_ago()
        (place / "kept-timers.json").write_bytes((instance.state / "kept-timers.json").read_bytes())
        ballast = place / "ballast"
        instance.tree.set(AIR, 16.0)
        instance.start(STATE_DIRECTORY=str(place))
        instance.until_message("STATUS=rest")
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(512))
        instance.tree.set(AIR, 18.0)
        instance.until(lambda: instance.is_on("pump"))
        instance.signal(signal.SIGKILL)
        instance.ended()
        (instance.folder / "run" / "boot-kept-timers.json").unlink()  # memory is gone as well
        ballast.unlink()

        instance.start(STATE_DIRECTORY=str(place))
        instance.until_message("STATUS=held: resting before the next start")
        instance.signal(signal.SIGTERM)
        _, lines = instance.ended()

    (started,) = (line for line in lines if line["event"] == "started")
    assert started["rested_s"] == 0.0


def test_a_reload_whose_outputs_cannot_be_opened_goes_back(instance: Bench) -> None:
    """The fan's new line is busy: the old wiring is open again, and the chamber is still cooled."""
    cool(instance)
    other = instance.folder / "other"
    Path(f"{other}.refuses").touch()
    instance.write_config(**{str(instance.folder / "fan"): str(other)})
    instance.signal(signal.SIGHUP)
    instance.until(lambda: "close off" in instance.tape("fan"))
    instance.until(lambda: instance.is_on("fan"))
    assert instance.tape("pump") == ["open off", "on"]  # its line did not change
    instance.signal(signal.SIGTERM)
    status, lines = instance.ended()

    assert status == 0
    (kept,) = (line for line in lines if line["event"] == "config_kept_as_it_was")
    assert "the tape is not there" in str(kept["problem"])
    assert instance.tape("fan")[-1] == "close off"


def test_a_reload_of_one_offset_trips_nothing(instance: Bench) -> None:
    """The pump runs on, no reading is waited for anew, and the offset is in force."""
    cool(instance)
    text = instance.config.read_text(encoding="utf-8")
    instance.config.write_text(
        text.replace('fastest = "60 K"', 'fastest = "60 K"\noffset = "0.5 K"'), encoding="utf-8"
    )
    instance.tree.block(WATER)  # a reading that was thrown away could not come again
    instance.until_message("STATUS=cool: call for cooling; air 18.00 °C")
    instance.signal(signal.SIGHUP)
    instance.until_message("STATUS=cool: call for cooling; air 18.50 °C")
    instance.signal(signal.SIGTERM)
    instance.tree.release_all()
    _, lines = instance.ended()

    assert instance.tape("pump") == ["open off", "on", "close off"]
    events = [str(line["event"]) for line in lines]
    assert not {"trip", "phase"} & set(events[events.index("config_reloaded") :])


def test_a_driver_that_hangs_in_close_keeps_no_other_load_on(instance: Bench) -> None:
    """The pump's driver, which is closed first, never comes back: the fan is off."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    instance.write_config('hangs_in = "close"')
    cool(instance)

    instance.signal(signal.SIGTERM)

    instance.ended()
    assert instance.tape("fan")[-1] == "close off"


def test_a_driver_that_hangs_in_switch_is_left_to_another_process(instance: Bench) -> None:
    """The fan's never comes back: the pump is off at once, and the service makes way by itself.

    This process cannot reach the fan any more; `coldpin off` and the next start can.
    """
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    text = instance.config.read_text(encoding="utf-8")
    fan = f'path = "{instance.folder / "fan"}"'
    instance.config.write_text(text.replace(fan, f'{fan}\nhangs_in = "switch"'), encoding="utf-8")
    instance.start()
    instance.until(lambda: instance.is_on("pump"))
    instance.until(lambda: instance.tape("pump")[-1] == "off")
    instance.until_message("STATUS=held: an output failed")

    status, lines = instance.ended()

    assert status == 69
    assert "driver of fan has not answered" in str(lines)
    assert instance.tape("pump")[-1] == "close off"
    assert instance.command("off", str(instance.config)).returncode == 0
    assert instance.tape("fan")[-1] == "close off"


def test_a_load_that_hangs_when_a_reload_rewires_it_is_left_to_another_process(
    instance: Bench,
) -> None:
    """Its old line is in no configuration any more; `coldpin off` still finds it."""
    instance.write_config('hangs_in = "close"')
    instance.start()
    instance.until_message("READY=1")
    text = instance.config.read_text(encoding="utf-8")
    old = f'path = "{instance.folder / "pump"}"\n'
    rewired = text.replace(old, old.replace("pump", "elsewhere")).replace('hangs_in = "close"', "")
    instance.config.write_text(rewired, encoding="utf-8")

    instance.signal(signal.SIGHUP)

    status, lines = instance.ended()
    assert status == 69
    assert "asked to close and has not answered" in str(lines)
    assert instance.tape("pump") == ["open off"]  # its close hangs
    kept = read_kept_wiring(instance.state)
    assert instance.folder / "pump" in {Path(load.options["path"]) for load in kept}


def test_a_lock_cannot_be_tidied_away(instance: Bench) -> None:
    """Every file of the state directory is deleted: a second process still may not start."""
    instance.start()
    instance.until_message("READY=1")
    for path in sorted(instance.state.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink(missing_ok=True)

    second = instance.command("run", str(instance.config))

    assert second.returncode == 75
    assert "already controls this chamber" in second.stderr
    assert instance.tape("pump") == ["open off"]


def test_a_second_configuration_may_not_drive_the_same_line(instance: Bench) -> None:
    """Another instance, another state directory, a driver that would let it in: refused."""
    instance.start()
    instance.until_message("READY=1")
    other = instance.folder / "other-state"
    other.mkdir()

    second = subprocess.run(
        [sys.executable, "-m", "controller", "run", str(instance.config)],
        env={**instance.environment, "STATE_DIRECTORY": str(other), "RUNTIME_DIRECTORY": ""},
        capture_output=True, text=True, timeout=AT_MOST_S, check=False,
    )  # fmt: skip

    assert second.returncode == 75
    assert instance.process is not None
    assert f"(pid {instance.process.pid}) already drives the line" in second.stderr
    assert instance.tape("pump") == ["open off"]


def test_a_pause_outlives_a_kill_though_the_card_is_full(instance: Bench) -> None:
    """Hands are in the chamber: what memory keeps counts where the card took nothing."""
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(small_medium(instance.folder))
        except OSError as error:
            pytest.skip(f"this user may mount no file system: {error}")
        cool(instance)
        instance.signal(signal.SIGTERM)
        instance.ended()
        instance.start(STATE_DIRECTORY=str(place))
        instance.until_message("STATUS=held")
        asked = subprocess.Popen(
            [sys.executable, "-m", "controller", "pause", str(instance.config), "--for", "10 min"],
            env={**instance.environment, "STATE_DIRECTORY": str(place)}, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        with asked:
            instance.until_message("STATUS=held: paused by a person")
        (place / "kept-timers.json").unlink()  # as if the card had not taken it
        instance.signal(signal.SIGKILL)
        instance.ended()

        instance.start(STATE_DIRECTORY=str(place))
        instance.until_message("STATUS=held: paused by a person")


def test_a_fault_of_the_program_is_70(instance: Bench) -> None:
    """Not 1, which for `status` means that an alarm stands."""
    (instance.folder / "site" / "sitecustomize.py").write_text(
        "import controller.cli.status as s\n"
        "def broken(*_):\n    raise ZeroDivisionError('no such thing')\n"
        "s.report_of = broken\n",
        encoding="utf-8",
    )

    ran = instance.command("status", str(instance.config))

    assert ran.returncode == 70
    assert "fault of coldpin" in ran.stderr
