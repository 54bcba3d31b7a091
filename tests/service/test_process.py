"""The service as a subprocess: switching, silence, signals, reload, and always ending off."""

from __future__ import annotations

import contextlib
import json
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.service.running import AIR, WATER, Bench, bench

NEW = "28-0a1b2c3d4e09"


@pytest.fixture
def here(tmp_path: Path) -> Iterator[Bench]:
    """Return a bench whose service has not started yet."""
    with bench(tmp_path) as found:
        yield found


def test_readings_switch_the_loads_and_sigterm_ends_off(here: Bench) -> None:
    """READY, pings, a call primes the pump then the fan, and SIGTERM ends off at once."""
    here.rest_long_ago()
    here.start()
    here.until_message("READY=1")
    assert (here.tape("pump"), here.tape("fan")) == (["open off"], ["open off"])
    status = here.until_message("STATUS=rest: no call")
    assert "16.00 °C (band 15.5 to 17 °C)" in status
    here.tree.set(AIR, 18.0)

    here.until(lambda: here.is_on("pump"))
    assert not here.is_on("fan")
    here.until(lambda: here.is_on("fan"))
    here.until_message("STATUS=cool")
    here.until_message("WATCHDOG=1")
    here.terminate_from_standstill()
    status_code, lines = here.ended()
    since_the_signal = here.messages_until("STOPPING=1")

    # the beat that the signal came into, and no other
    assert since_the_signal.count("WATCHDOG=1") <= 1
    assert status_code == 0
    assert here.tape("pump")[-1] == here.tape("fan")[-1] == "close off"
    assert lines[-1]["event"] == "stopped"


def test_blocked_probe_is_lost_while_the_loop_keeps_its_beat(here: Bench) -> None:
    """A file that never answers: lost, off, and the watchdog is still served.

    That it is lost at `stale_after` and not later is shown on a simulated clock, in test_sieve.
    """
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    here.start()
    here.until(lambda: here.is_on("fan"))

    here.tree.block(AIR)
    here.until(lambda: not here.is_on("pump"))

    here.until(lambda: here.tape("fan")[-1] == "off")
    here.until_message("STATUS=fallback")
    pings = [here.until_message("WATCHDOG=1") for _ in range(5)]
    assert len(pings) == 5
    here.signal(signal.SIGINT)
    assert here.ended()[0] == 0


def test_killed_service_is_put_off_by_the_off_command_even_with_a_broken_config(
    here: Bench,
) -> None:
    """SIGKILL leaves the relay on; `coldpin off` finds the lines that were open, and no others."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    here.start()
    here.until(lambda: here.is_on("fan"))
    here.signal(signal.SIGKILL)
    here.ended()
    assert here.is_on("pump")
    here.config.write_text("not a configuration any more", encoding="utf-8")

    off = here.command("off", str(here.config))

    assert here.tape("pump")[-1] == here.tape("fan")[-1] == "close off"
    assert off.returncode == 78  # all is off, and the broken file is said
    assert "Traceback" not in off.stderr
    assert "pump: off" in off.stdout


def test_restart_after_a_crash_waits_the_whole_rest(here: Bench) -> None:
    """The pump was on when the process died: nobody knows when it stopped, so it counts as now."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    here.start()
    here.until(lambda: here.is_on("fan"))
    here.until(lambda: json.loads((here.state / "kept-timers.json").read_text())["pump"])
    here.signal(signal.SIGKILL)
    here.ended()

    here.start()
    status = here.until_message("STATUS=held: resting before the next start")

    assert "18.00 °C" in status
    here.signal(signal.SIGTERM)
    _, lines = here.ended()
    assert [line["event"] for line in lines[:2]] == ["last_run_ended_with_the_pump_on", "started"]
    assert lines[0]["how"] == "the process was killed"
    assert lines[1]["rested_s"] == 0.0


def test_reload_takes_a_good_file_and_keeps_the_old_one_against_a_bad_one(here: Bench) -> None:
    """SIGHUP: another band is taken without touching a pin; a broken file changes nothing."""
    here.rest_long_ago()
    here.start()
    here.until_message("STATUS=rest")
    here.write_config(**{'"17__C"': '"15.8 C"', '"15.5__C"': '"15 C"'})
    here.signal(signal.SIGHUP)
    here.until_message("STATUS=prime: pump first, fan after the prime time; air 16.00 °C (band 15")
    assert here.tape("pump") == ["open off", "on"]

    here.until_message("STATUS=cool")
    here.write_config(cut_in="cut_inn")
    here.signal(signal.SIGHUP)
    here.until_message("RELOADING=1")
    here.until_message("READY=1")
    here.signal(signal.SIGTERM)
    status, lines = here.ended()

    assert status == 0
    kept = [str(line["problem"]) for line in lines if line["event"] == "config_kept_as_it_was"]
    assert any("did you mean" in problem for problem in kept)
    assert any("stages.cropping.cut_in" in problem for problem in kept)
    assert here.tape("fan") == ["open off", "on", "close off"]


def test_second_service_is_stopped_and_touches_nothing(here: Bench) -> None:
    """One chamber, one process: exit 75, and the first one notices nothing."""
    here.start()
    here.until_message("READY=1")

    second = here.command("run", str(here.config))

    assert second.returncode == 75
    assert "already controls this chamber" in second.stderr
    assert here.tape("pump") == ["open off"]


@pytest.mark.parametrize(
    ("more", "changes", "status", "told"),
    [
        pytest.param("refuses = true", {}, 69, "the tape is not there", id="output-not-there"),
        pytest.param("", {'"17__C"': '"65 C"'}, 78, '"65 F" if', id="fahrenheit-meant"),
        pytest.param("", {"one_wire": "one_wirr"}, 78, "one_wirr", id="misspelt-table"),
    ],
)
def test_start_that_cannot_be_says_why(
    here: Bench, more: str, changes: dict[str, str], status: int, told: str
) -> None:
    """An exit status that the unit understands, one plain message, no traceback."""
    here.write_config(more, **changes)

    ran = here.command("run", str(here.config))

    assert ran.returncode == status
    assert told in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_bus_that_comes_late_is_waited_for_with_everything_off(here: Bench) -> None:
    """No 1-Wire at the start: it runs, says how to enable it, and picks the probes up."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    away = here.tree.root.with_name("away")
    here.tree.root.rename(away)
    here.start()
    here.until_message("STATUS=rest: waiting for the first readings")

    shown = here.command("status", str(here.config)).stdout.replace("\n", " ")
    assert "There is no 1-Wire bus" in shown
    assert "dtoverlay=w1-gpio" in shown
    assert "No alarm stands" not in shown
    assert here.tape("pump") == ["open off"]
    away.rename(here.tree.root)
    here.until(lambda: here.is_on("pump"))
    here.signal(signal.SIGTERM)
    status, lines = here.ended()

    assert status == 0
    assert {"one_wire_bus_missing", "one_wire_bus_there"} <= {line["event"] for line in lines}


def test_nothing_is_called_lost_before_the_first_readings(here: Bench) -> None:
    """At a start and at a reload the log speaks of no lost probe, and no phase but rest is met."""
    here.rest_long_ago()
    here.start()
    here.until_message("STATUS=rest: no call for cooling")
    here.write_config(**{'"17__C"': '"16.8 C"'})
    here.signal(signal.SIGHUP)
    here.until_message("STATUS=rest: no call for cooling; air 16.00 °C (band 15.5 to 16.8 °C)")
    here.signal(signal.SIGTERM)
    _, lines = here.ended()

    assert "config_reloaded" in {line["event"] for line in lines}
    assert not [line for line in lines if "probe lost" in json.dumps(line)]


def test_an_unknown_probe_beside_a_lost_one_is_named(here: Bench) -> None:
    """Somebody replaced the air probe: the alarm says which id is new; status shows each id."""
    text = here.config.read_text(encoding="utf-8")
    here.config.write_text(f'{text}\n[alarms.probe_lost]\nafter = "0 s"\n', encoding="utf-8")
    here.start()
    here.until_message("STATUS=rest")
    assert AIR in here.command("status", str(here.config)).stdout
    here.tree.remove(AIR)
    here.tree.add_probe(NEW)

    def alarms() -> list[dict[str, str]]:
        shown = here.command("status", str(here.config), "--json").stdout
        found: list[dict[str, str]] = json.loads(shown)["status"]["alarms"]
        return found

    here.until(lambda: any(NEW in alarm["note"] for alarm in alarms()))
    assert NEW in here.command("status", str(here.config)).stdout.replace("\n", " ")
    with closing(sqlite3.connect(here.state / "records.sqlite")) as records:
        rows = records.execute("SELECT place, probe_id FROM probes ORDER BY place").fetchall()
    assert rows == [("air", AIR), ("reservoir", WATER)]


def test_output_that_fails_puts_everything_off_within_the_tick(here: Bench) -> None:
    """The fan does not answer, by an exception of its own kind: the pump goes off too, an alarm."""
    here.rest_long_ago()
    here.write_config('fails_at = 1\nraises = "KeyError"')
    here.tree.set(AIR, 18.0)
    here.start()
    here.until_message("STATUS=held: an output failed")
    here.signal(signal.SIGTERM)
    _, lines = here.ended()

    assert "on" not in here.tape("fan")
    assert here.tape("pump")[-1] == "close off"
    assert [line["what"] for line in lines if line["event"] == "alarm_raised"] == ["output_failed"]


SIGNAL = """
[loads.signal]
driver = "tape"
path = "{signal}"
supply = "{supply}"
current = "0.1 A"
load_kind = "resistive"
alarms = ["air_high"]

[alarms.air_high]
after = "0 s"
clear_after = "0 s"
"""


def with_signal(here: Bench, supply: str = "12 V DC") -> None:
    """Add a lamp that calls for air that is too warm."""
    here.write_config()
    more = SIGNAL.format(signal=here.folder / "signal", supply=supply)
    here.config.write_text(here.config.read_text(encoding="utf-8") + more, encoding="utf-8")


def test_signal_calls_until_it_is_seen_and_off_finds_it(here: Bench) -> None:
    """On with its alarm, off with the acknowledge; after SIGKILL `coldpin off` puts it off too."""
    here.rest_long_ago()
    with_signal(here)
    here.tree.set(AIR, 21.0)
    here.start()
    here.until(lambda: here.is_on("signal"))
    assert "Marked as seen." in here.command("ack", str(here.config)).stdout
    here.until(lambda: here.tape("signal")[-1] == "off")
    here.tree.set(AIR, 16.0)
    here.until(lambda: not _alarms_of(here))
    here.tree.set(AIR, 21.0)
    here.until(lambda: here.is_on("signal"))
    here.signal(signal.SIGKILL)
    here.ended()
    assert here.is_on("signal")

    off = here.command("off", str(here.config))

    assert "signal: off" in off.stdout
    assert here.tape("signal")[-1] == "close off"


def _alarms_of(here: Bench) -> list[str]:
    shown = here.command("status", str(here.config), "--json").stdout
    return [alarm["name"] for alarm in json.loads(shown)["status"]["alarms"]]


def test_signal_that_is_wired_later_is_taken_at_a_reload(here: Bench) -> None:
    """SIGHUP: opened off, kept for `coldpin off`, and it calls for an alarm that stands."""
    here.rest_long_ago()
    here.write_config()
    here.tree.set(AIR, 21.0)
    here.start()
    here.until_message("STATUS=cool")
    with_signal(here)
    here.signal(signal.SIGHUP)

    here.until(lambda: here.is_on("signal"))
    assert "signal" in (here.state / "kept-wiring.json").read_text(encoding="utf-8")
    here.signal(signal.SIGTERM)
    here.ended()
    assert here.tape("signal") == ["open off", "on", "close off"]


def test_signal_that_a_reload_drops_is_off_and_its_line_is_free(here: Bench) -> None:
    """Another program may use the line from then on; pump and fan keep theirs."""
    with_signal(here)
    here.start()
    here.until_message("READY=1")
    assert _locked_lines(here) == 3

    here.write_config()
    here.signal(signal.SIGHUP)

    here.until(lambda: _locked_lines(here) == 2)
    assert here.tape("signal") == ["open off", "close off"]


def _locked_lines(here: Bench) -> int:
    assert here.process is not None
    locked = 0
    for each in Path(f"/proc/{here.process.pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # a file that was open for a moment
            locked += "coldpin-line-" in str(each.readlink())
    return locked


def test_signal_on_mains_without_a_relay_module_is_refused(here: Bench) -> None:
    """The mains rule holds for a lamp as for any load."""
    with_signal(here, "230 V AC")

    ran = here.command("run", str(here.config))

    assert ran.returncode == 78
    assert "loads.signal" in ran.stderr
    assert here.tape("signal") == []


def test_log_without_a_reader_does_not_stop_control(here: Bench) -> None:
    """Whoever read the log has gone: the loads still follow the air."""
    here.rest_long_ago()
    here.start()
    here.until_message("READY=1")
    assert here.process is not None
    assert here.process.stderr is not None
    here.process.stderr.close()
    here.tree.set(AIR, 18.0)

    here.until(lambda: here.is_on("fan"))
    here.tree.set(WATER, 30.0)
    here.signal(signal.SIGTERM)
    assert here.process.wait(10) == 0
    assert here.tape("pump")[-1] == "close off"


def test_a_shorter_pause_after_a_restart_ends_no_longer_one(here: Bench) -> None:
    """The pause outlives the process, and so does what it means for the next one asked for."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    here.start()
    here.until(lambda: here.is_on("fan"))
    here.command("pause", str(here.config), "--for", "40 min")
    here.until(lambda: not here.is_on("pump"))
    here.signal(signal.SIGTERM)
    here.ended()
    here.start()
    here.until((here.folder / "run" / "status.json").exists)

    shorter = here.command("pause", str(here.config), "--for", "10 min")

    assert "Paused already, for longer" in shorter.stdout
    shown = here.command("status", str(here.config), "--json")
    assert json.loads(shown.stdout)["status"]["timers_left"]["pause_s"] > 2000


def test_people_ask_and_are_answered_while_it_runs_and_after(here: Bench) -> None:
    """Pause, resume, stage and swap from a shell; status says how it is, by its exit status too."""
    here.rest_long_ago()
    here.tree.set(AIR, 18.0)
    assert here.command("status", str(here.config)).returncode == 2
    here.start()
    here.until(lambda: here.is_on("fan"))
    assert here.command("status", str(here.config)).returncode == 0

    paused = here.command("pause", str(here.config), "--for", "10 min")
    assert "Paused until" in paused.stdout
    here.until(lambda: not here.is_on("pump") and not here.is_on("fan"))
    shown = here.command("status", str(here.config), "--json")
    told = json.loads(shown.stdout)["status"]
    assert told["reason"] == "paused by a person"
    assert told["timers_left"]["pause_s"] > 500
    assert "The pause is over." in here.command("resume", str(here.config)).stdout
    assert "Logged: 3 packs at" in here.command("swap", str(here.config), "--packs", "3").stdout
    here.signal(signal.SIGTERM)
    here.ended()

    later = here.command("swap", str(here.config), "--packs", "2", "--at", "2026-07-01T18:30")
    assert "coldpin is not running on this machine. Logged all the same: 2 packs at" in later.stdout
    silent = here.command("status", str(here.config), "--json")
    assert silent.returncode == 2
    assert json.loads(silent.stdout)["last_swap"]["packs"] == 3  # the last one put in
    assert here.command("stage", str(here.config), "flowering").returncode == 64
    assert here.command("pause", str(here.config), "--for", "2 d").returncode == 64
