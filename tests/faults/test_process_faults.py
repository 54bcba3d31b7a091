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
from tests.faults.bench import small_medium
from tests.service.running import AIR, WATER, Bench, bench
from tests.support.machine import needs
from tests.support.time_zones import zone_file
from tests.support.waiting import AT_MOST_S

PIPE_BYTES = 4096


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Bench]:
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


def cool(here: Bench, **environment: str) -> None:
    """Start the service, and wait until pump and fan are on."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    here.start(**environment)
    here.until(lambda: here.is_on("fan"))


def killed_while_on(here: Bench) -> None:
    """Leave both loads on, and nobody there."""
    cool(here)
    here.signal(signal.SIGKILL)
    here.ended()
    assert here.is_on("pump")
    assert here.is_on("fan")


def off(here: Bench, *, stdout: int, stderr: int, **environment: str) -> int:
    """Run `coldpin off` and return its exit status; one that hangs fails."""
    return subprocess.run(
        [sys.executable, "-m", "controller", "off", str(here.config)],
        env={**here.environment, **environment},
        stdout=stdout, stderr=stderr, timeout=AT_MOST_S, check=False,
    ).returncode  # fmt: skip


def test_a_log_that_nobody_reads_stops_nothing(here: Bench) -> None:
    """Standard error is full from the first line on: it starts, trips and ends all the same."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    with full_pipe() as stderr:
        here.start(stderr=stderr)
        here.until(lambda: here.is_on("fan"))
        here.tree.set(AIR, 9.0)
        here.until(lambda: here.tape("pump")[-1] == "off")
        here.until_message("WATCHDOG=1")
        here.signal(signal.SIGTERM)
        assert here.process is not None
        assert here.process.wait(AT_MOST_S) == 0

    assert here.tape("pump")[-1] == here.tape("fan")[-1] == "close off"


@pytest.mark.parametrize("where", ["pipe that nobody reads", "full disk", "closed"])
def test_off_switches_every_load_whoever_reads(here: Bench, where: str) -> None:
    """Words come after the loads, and wait for nobody."""
    killed_while_on(here)

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
        status = off(here, stdout=target, stderr=target)

    assert status == 0
    assert here.tape("pump")[-1] == here.tape("fan")[-1] == "close off"


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        pytest.param("raises_at_open = true", "no such tape", id="raises"),
        pytest.param('hangs_in = "open"', "cut its supply by hand", id="hangs-in-open"),
        pytest.param('hangs_in = "close"', "cut its supply by hand", id="hangs-in-close"),
    ],
)
def test_off_gives_each_load_its_turn_whatever_the_other_does(
    here: Bench, trouble: str, words: str
) -> None:
    """The pump's driver fails in a way of its own; the fan goes off, and the pump is named."""
    killed_while_on(here)
    kept = here.state / "kept-wiring.json"
    loads = json.loads(kept.read_text(encoding="utf-8"))
    key, _, value = trouble.partition(" = ")
    loads[0]["options"][key] = json.loads(value)
    for place in (here.state, here.folder / "run"):
        (place / "kept-wiring.json").write_text(json.dumps(loads), encoding="utf-8")
    here.config.write_text("broken", encoding="utf-8")

    ran = here.command("off", str(here.config))

    assert here.tape("fan")[-1] == "close off"
    assert ran.returncode == 69
    assert words in ran.stderr
    assert "fan: off" in ran.stdout


def test_off_needs_no_state_directory(here: Bench) -> None:
    """It cannot be made, no home is there: what CONFIG names goes off."""
    killed_while_on(here)

    status = off(
            here, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            STATE_DIRECTORY="", RUNTIME_DIRECTORY="", XDG_STATE_HOME="", HOME="/proc/nowhere",
        )  # fmt: skip

    assert status == 0
    assert here.tape("pump")[-1] == here.tape("fan")[-1] == "close off"


def test_off_says_that_the_service_still_runs(here: Bench) -> None:
    """Off now, and on again at its next decision: who runs it must know."""
    cool(here)

    ran = here.command("off", str(here.config))

    assert here.process is not None
    assert f"coldpin still runs on this chamber (pid {here.process.pid})" in ran.stderr
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


def test_a_read_only_card_keeps_no_chamber_warm(here: Bench) -> None:
    """It starts, rests its whole time before it cools, and says that it keeps nothing."""
    here.tree.set(AIR, 18.0)
    with read_only(here.folder) as place:
        here.start(STATE_DIRECTORY=str(place))
        here.until_message("STATUS=held: resting before the next start")
        here.until(lambda: here.is_on("fan"))
        here.signal(signal.SIGTERM)
        status, lines = here.ended()

    assert status == 0
    assert "nothing_kept" in {line["event"] for line in lines}
    assert here.tape("pump")[-1] == "close off"


@needs("root", "mount")
def test_a_change_of_the_systems_time_zone_is_followed(here: Bench) -> None:
    """`timedatectl set-timezone` while it runs: the bands by the hour are those of the new zone."""
    zone = here.folder / "localtime"
    zone.write_bytes(zone_file("UTC"))
    status = here.folder / "run" / STATUS
    own = f'unset TZ; mount --bind "{zone}" /etc/localtime && exec "$@"'
    here.start(under=["unshare", "--mount", "sh", "-c", own, "sh"])
    here.until(status.exists)
    assert read_as_of(status).utcoffset() == timedelta()
    zone.write_bytes(zone_file("Asia/Kathmandu"))
    os.utime(zone, (0, 0))  # the C library looks at whole seconds

    here.until(lambda: read_as_of(status).utcoffset() == timedelta(hours=5, minutes=45))


def read_as_of(status: Path) -> datetime:
    """Return the local time of a status file."""
    return datetime.fromisoformat(json.loads(status.read_text(encoding="utf-8"))["as_of"])


def test_a_state_directory_that_cannot_be_made_keeps_no_chamber_warm(here: Bench) -> None:
    """No home, no systemd: memory serves, and the log says so."""
    here.tree.set(AIR, 18.0)
    here.start(STATE_DIRECTORY="", XDG_STATE_HOME="/proc/nowhere")
    here.until_message("STATUS=held: resting before the next start")
    here.signal(signal.SIGTERM)
    status, lines = here.ended()

    assert status == 0
    assert "no_state_directory" in {line["event"] for line in lines}


def test_a_stale_record_on_a_full_card_shortens_no_rest(here: Bench) -> None:
    """Killed with the pump on while nothing could be written: "off since an hour" is no proof."""
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(small_medium(here.folder))
        except OSError as error:
            pytest.skip(f"this user may mount no file system: {error}")
        here.rest_long_ago()
        (place / "kept-timers.json").write_bytes((here.state / "kept-timers.json").read_bytes())
        ballast = place / "ballast"
        here.tree.set(AIR, 16.0)
        here.start(STATE_DIRECTORY=str(place))
        here.until_message("STATUS=rest")
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(512))
        here.tree.set(AIR, 18.0)
        here.until(lambda: here.is_on("pump"))
        here.signal(signal.SIGKILL)
        here.ended()
        (here.folder / "run" / "boot-kept-timers.json").unlink()  # memory is gone as well
        ballast.unlink()

        here.start(STATE_DIRECTORY=str(place))
        here.until_message("STATUS=held: resting before the next start")
        here.signal(signal.SIGTERM)
        _, lines = here.ended()

    (started,) = (line for line in lines if line["event"] == "started")
    assert started["rested_s"] == 0.0


def test_a_reload_whose_outputs_cannot_be_opened_goes_back(here: Bench) -> None:
    """The fan's new line is busy: the old wiring is open again, and the chamber is still cooled."""
    cool(here)
    other = here.folder / "other"
    Path(f"{other}.refuses").touch()
    here.write_config(**{str(here.folder / "fan"): str(other)})
    here.signal(signal.SIGHUP)
    here.until(lambda: "close off" in here.tape("fan"))
    here.until(lambda: here.is_on("fan"))
    assert here.tape("pump") == ["open off", "on"]  # its line did not change
    here.signal(signal.SIGTERM)
    status, lines = here.ended()

    assert status == 0
    (kept,) = (line for line in lines if line["event"] == "config_kept_as_it_was")
    assert "the tape is not there" in str(kept["problem"])
    assert here.tape("fan")[-1] == "close off"


def test_a_reload_of_one_offset_trips_nothing(here: Bench) -> None:
    """The pump runs on, no reading is waited for anew, and the offset is in force."""
    cool(here)
    text = here.config.read_text(encoding="utf-8")
    here.config.write_text(
        text.replace('fastest = "60 K"', 'fastest = "60 K"\noffset = "0.5 K"'), encoding="utf-8"
    )
    here.tree.block(WATER)  # a reading that was thrown away could not come again
    here.until_message("STATUS=cool: call for cooling; air 18.00 °C")
    here.signal(signal.SIGHUP)
    here.until_message("STATUS=cool: call for cooling; air 18.50 °C")
    here.signal(signal.SIGTERM)
    here.tree.release_all()
    _, lines = here.ended()

    assert here.tape("pump") == ["open off", "on", "close off"]
    events = [str(line["event"]) for line in lines]
    assert not {"trip", "phase"} & set(events[events.index("config_reloaded") :])


@pytest.mark.parametrize("hangs_in", ["close", "switch"])
def test_a_driver_that_hangs_keeps_no_other_load_on(here: Bench, hangs_in: str) -> None:
    """The fan's driver (or the pump's) never comes back: the other is off, and SIGTERM ends it."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    if hangs_in == "close":  # the pump's, which is closed first
        here.write_config('hangs_in = "close"')
        cool(here)
        here.signal(signal.SIGTERM)
        here.ended()
        assert here.tape("fan")[-1] == "close off"
        return
    text = here.config.read_text(encoding="utf-8")
    fan = f'path = "{here.folder / "fan"}"'
    here.config.write_text(text.replace(fan, f'{fan}\nhangs_in = "switch"'), encoding="utf-8")
    here.start()
    here.until(lambda: here.is_on("pump"))
    here.until(lambda: here.tape("pump")[-1] == "off")
    here.until_message("STATUS=held: an output failed")
    here.signal(signal.SIGTERM)
    status, _ = here.ended()

    assert status == 0
    assert here.tape("pump")[-1] == "close off"


def test_a_lock_cannot_be_tidied_away(here: Bench) -> None:
    """Every file of the state directory is deleted: a second process still may not start."""
    here.start()
    here.until_message("READY=1")
    for path in sorted(here.state.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink(missing_ok=True)

    second = here.command("run", str(here.config))

    assert second.returncode == 75
    assert "already controls this chamber" in second.stderr
    assert here.tape("pump") == ["open off"]


def test_a_second_configuration_may_not_drive_the_same_line(here: Bench) -> None:
    """Another instance, another state directory, a driver that would let it in: refused."""
    here.start()
    here.until_message("READY=1")
    other = here.folder / "other-state"
    other.mkdir()

    second = subprocess.run(
        [sys.executable, "-m", "controller", "run", str(here.config)],
        env={**here.environment, "STATE_DIRECTORY": str(other), "RUNTIME_DIRECTORY": ""},
        capture_output=True, text=True, timeout=AT_MOST_S, check=False,
    )  # fmt: skip

    assert second.returncode == 75
    assert here.process is not None
    assert f"(pid {here.process.pid}) already drives the line" in second.stderr
    assert here.tape("pump") == ["open off"]


def test_a_pause_outlives_a_kill_though_the_card_is_full(here: Bench) -> None:
    """Hands are in the chamber: what memory keeps counts where the card took nothing."""
    with contextlib.ExitStack() as stack:
        try:
            place = stack.enter_context(small_medium(here.folder))
        except OSError as error:
            pytest.skip(f"this user may mount no file system: {error}")
        cool(here)
        here.signal(signal.SIGTERM)
        here.ended()
        here.start(STATE_DIRECTORY=str(place))
        here.until_message("STATUS=held")
        asked = subprocess.Popen(
            [sys.executable, "-m", "controller", "pause", str(here.config), "--for", "10 min"],
            env={**here.environment, "STATE_DIRECTORY": str(place)}, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        with asked:
            here.until_message("STATUS=held: paused by a person")
        (place / "kept-timers.json").unlink()  # as if the card had not taken it
        here.signal(signal.SIGKILL)
        here.ended()

        here.start(STATE_DIRECTORY=str(place))
        here.until_message("STATUS=held: paused by a person")


def test_a_fault_of_the_program_is_70(here: Bench) -> None:
    """Not 1, which for `status` means that an alarm stands."""
    (here.folder / "site" / "sitecustomize.py").write_text(
        "import controller.cli.status as s\n"
        "def broken(*_):\n    raise ZeroDivisionError('no such thing')\n"
        "s.report_of = broken\n",
        encoding="utf-8",
    )

    ran = here.command("status", str(here.config))

    assert ran.returncode == 70
    assert "fault of coldpin" in ran.stderr
