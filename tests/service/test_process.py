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
from tests.support.waiting import AT_MOST_S

NEW = "28-0a1b2c3d4e09"


@pytest.fixture
def instance(tmp_path: Path) -> Iterator[Bench]:
    """Return a bench whose service has not started yet."""
    with bench(tmp_path) as made:
        yield made


def test_readings_switch_the_loads_and_sigterm_ends_off(instance: Bench) -> None:
    """READY, pings, a call primes the pump then the fan, and SIGTERM ends off at once."""
    instance.rest_long_ago()
    instance.start()
    instance.until_message("READY=1")
    assert (instance.tape("pump"), instance.tape("fan")) == (["open off"], ["open off"])
    status = instance.until_message("STATUS=rest: no call")
    assert "16.00 °C (band 15.5 to 17 °C)" in status
    instance.tree.set(AIR, 18.0)

    instance.until(lambda: instance.is_on("pump"))
    assert not instance.is_on("fan")
    instance.until(lambda: instance.is_on("fan"))
    instance.until_message("STATUS=cool")
    instance.until_message("WATCHDOG=1")
    instance.terminate_from_standstill()
    status_code, lines = instance.ended()
    since_the_signal = instance.messages_until("STOPPING=1")

    # the beat that the signal came into, and no other
    assert since_the_signal.count("WATCHDOG=1") <= 1
    assert status_code == 0
    assert instance.tape("pump")[-1] == instance.tape("fan")[-1] == "close off"
    assert lines[-1]["event"] == "stopped"


def test_blocked_probe_is_lost_while_the_loop_keeps_its_beat(instance: Bench) -> None:
    """A file that never answers: lost, off, and the watchdog is still served.

    That it is lost at `stale_after` and not later is shown on a simulated clock, in test_sieve.
    """
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    instance.start()
    instance.until(lambda: instance.is_on("fan"))

    instance.tree.block(AIR)
    instance.until(lambda: not instance.is_on("pump"))

    instance.until(lambda: instance.tape("fan")[-1] == "off")
    instance.until_message("STATUS=fallback")
    pings = [instance.until_message("WATCHDOG=1") for _ in range(5)]
    assert len(pings) == 5
    instance.signal(signal.SIGINT)
    assert instance.ended()[0] == 0


def test_killed_service_is_put_off_by_the_off_command_even_with_a_broken_config(
    instance: Bench,
) -> None:
    """SIGKILL leaves the relay on; `coldpin off` finds the lines that were open, and no others."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    instance.start()
    instance.until(lambda: instance.is_on("fan"))
    instance.signal(signal.SIGKILL)
    instance.ended()
    assert instance.is_on("pump")
    instance.config.write_text("not a configuration any more", encoding="utf-8")

    off = instance.command("off", str(instance.config))

    assert instance.tape("pump")[-1] == instance.tape("fan")[-1] == "close off"
    assert off.returncode == 78  # all is off, and the broken file is said
    assert "Traceback" not in off.stderr
    assert "pump: off" in off.stdout


def test_restart_after_a_crash_waits_the_whole_rest(instance: Bench) -> None:
    """The pump was on when the process died: nobody knows when it stopped, so it counts as now."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    instance.start()
    instance.until(lambda: instance.is_on("fan"))
    instance.until(lambda: json.loads((instance.state / "kept-timers.json").read_text())["pump"])
    instance.signal(signal.SIGKILL)
    instance.ended()

    instance.start()
    status = instance.until_message("STATUS=held: resting before the next start")

    assert "18.00 °C" in status
    instance.signal(signal.SIGTERM)
    _, lines = instance.ended()
    assert [line["event"] for line in lines[:2]] == ["last_run_ended_with_the_pump_on", "started"]
    assert lines[0]["how"] == "the process was killed"
    assert lines[1]["rested_s"] == 0.0


def test_reload_takes_a_good_file_and_keeps_the_old_one_against_a_bad_one(instance: Bench) -> None:
    """SIGHUP: another band is taken without touching a pin; a broken file changes nothing."""
    instance.rest_long_ago()
    instance.start()
    instance.until_message("STATUS=rest")
    instance.write_config(**{'"17__C"': '"15.8 C"', '"15.5__C"': '"15 C"'})
    instance.signal(signal.SIGHUP)
    instance.until_message(
        "STATUS=prime: pump first, fan after the prime time; air 16.00 °C (band 15"
    )
    assert instance.tape("pump") == ["open off", "on"]

    instance.until_message("STATUS=cool")
    instance.write_config(cut_in="cut_inn")
    instance.signal(signal.SIGHUP)
    instance.until_message("RELOADING=1")
    instance.until_message("READY=1")
    instance.signal(signal.SIGTERM)
    status, lines = instance.ended()

    assert status == 0
    kept = [str(line["problem"]) for line in lines if line["event"] == "config_kept_as_it_was"]
    assert any("did you mean" in problem for problem in kept)
    assert any("stages.cropping.cut_in" in problem for problem in kept)
    assert instance.tape("fan") == ["open off", "on", "close off"]


def test_second_service_is_stopped_and_touches_nothing(instance: Bench) -> None:
    """One chamber, one process: exit 75, and the first one notices nothing."""
    instance.start()
    instance.until_message("READY=1")

    second = instance.command("run", str(instance.config))

    assert second.returncode == 75
    assert "already controls this chamber" in second.stderr
    assert instance.tape("pump") == ["open off"]


@pytest.mark.parametrize(
    ("more", "changes", "status", "message"),
    [
        pytest.param("refuses = true", {}, 69, "the tape is not there", id="output-not-there"),
        pytest.param("", {'"17__C"': '"65 C"'}, 78, '"65 F" if', id="fahrenheit-meant"),
        pytest.param("", {"one_wire": "one_wirr"}, 78, "one_wirr", id="misspelt-table"),
    ],
)
def test_start_that_cannot_be_says_why(
    instance: Bench, more: str, changes: dict[str, str], status: int, message: str
) -> None:
    """An exit status that the unit understands, one plain message, no traceback."""
    instance.write_config(more, **changes)

    ran = instance.command("run", str(instance.config))

    assert ran.returncode == status
    assert message in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_bus_that_comes_late_is_waited_for_with_everything_off(instance: Bench) -> None:
    """No 1-Wire at the start: it runs, says how to enable it, and picks the probes up."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    away = instance.tree.root.with_name("away")
    instance.tree.root.rename(away)
    instance.start()
    instance.until_message("STATUS=rest: waiting for the first readings")

    shown = instance.command("status", str(instance.config)).stdout.replace("\n", " ")
    assert "There is no 1-Wire bus" in shown
    assert "dtoverlay=w1-gpio" in shown
    assert "No alarm stands" not in shown
    assert instance.tape("pump") == ["open off"]
    away.rename(instance.tree.root)
    instance.until(lambda: instance.is_on("pump"))
    instance.signal(signal.SIGTERM)
    status, lines = instance.ended()

    assert status == 0
    assert {"one_wire_bus_missing", "one_wire_bus_there"} <= {line["event"] for line in lines}


def test_nothing_is_called_lost_before_the_first_readings(instance: Bench) -> None:
    """At a start and at a reload the log speaks of no lost probe, and no phase but rest is met."""
    instance.rest_long_ago()
    instance.start()
    instance.until_message("STATUS=rest: no call for cooling")
    instance.write_config(**{'"17__C"': '"16.8 C"'})
    instance.signal(signal.SIGHUP)
    instance.until_message("STATUS=rest: no call for cooling; air 16.00 °C (band 15.5 to 16.8 °C)")
    instance.signal(signal.SIGTERM)
    _, lines = instance.ended()

    assert "config_reloaded" in {line["event"] for line in lines}
    assert not [line for line in lines if "probe lost" in json.dumps(line)]


def test_an_unknown_probe_beside_a_lost_one_is_named(instance: Bench) -> None:
    """Somebody replaced the air probe: the alarm says which id is new; status shows each id."""
    text = instance.config.read_text(encoding="utf-8")
    instance.config.write_text(f'{text}\n[alarms.probe_lost]\nafter = "0 s"\n', encoding="utf-8")
    instance.start()
    instance.until_message("STATUS=rest")
    assert AIR in instance.command("status", str(instance.config)).stdout
    instance.tree.remove(AIR)
    instance.tree.add_probe(NEW)

    def alarms() -> list[dict[str, str]]:
        shown = instance.command("status", str(instance.config), "--json").stdout
        made: list[dict[str, str]] = json.loads(shown)["status"]["alarms"]
        return made

    instance.until(lambda: any(NEW in alarm["note"] for alarm in alarms()))
    assert NEW in instance.command("status", str(instance.config)).stdout.replace("\n", " ")
    with closing(sqlite3.connect(instance.state / "records.sqlite")) as records:
        rows = records.execute("SELECT place, probe_id FROM probes ORDER BY place").fetchall()
    assert rows == [("air", AIR), ("reservoir", WATER)]


def test_output_that_fails_puts_everything_off_within_the_tick(instance: Bench) -> None:
    """The fan does not answer, by an exception of its own kind: the pump goes off too, an alarm."""
    instance.rest_long_ago()
    instance.write_config('fails_at = 1\nraises = "KeyError"')
    instance.tree.set(AIR, 18.0)
    instance.start()
    instance.until_message("STATUS=held: an output failed")
    instance.signal(signal.SIGTERM)
    _, lines = instance.ended()

    assert "on" not in instance.tape("fan")
    assert instance.tape("pump")[-1] == "close off"
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


def with_signal(instance: Bench, supply: str = "12 V DC") -> None:
    """Add a lamp that calls for air that is too warm."""
    instance.write_config()
    more = SIGNAL.format(signal=instance.folder / "signal", supply=supply)
    instance.config.write_text(instance.config.read_text(encoding="utf-8") + more, encoding="utf-8")


def test_signal_calls_until_it_is_seen_and_off_finds_it(instance: Bench) -> None:
    """On with its alarm, off with the acknowledge; after SIGKILL `coldpin off` puts it off too."""
    instance.rest_long_ago()
    with_signal(instance)
    instance.tree.set(AIR, 21.0)
    instance.start()
    instance.until(lambda: instance.is_on("signal"))
    assert "Marked as seen." in instance.command("ack", str(instance.config)).stdout
    instance.until(lambda: instance.tape("signal")[-1] == "off")
    instance.tree.set(AIR, 16.0)
    instance.until(lambda: not _alarms_of(instance))
    instance.tree.set(AIR, 21.0)
    instance.until(lambda: instance.is_on("signal"))
    instance.signal(signal.SIGKILL)
    instance.ended()
    assert instance.is_on("signal")

    off = instance.command("off", str(instance.config))

    assert "signal: off" in off.stdout
    assert instance.tape("signal")[-1] == "close off"


def _alarms_of(instance: Bench) -> list[str]:
    shown = instance.command("status", str(instance.config), "--json").stdout
    return [alarm["name"] for alarm in json.loads(shown)["status"]["alarms"]]


def test_signal_that_is_wired_later_is_taken_at_a_reload(instance: Bench) -> None:
    """SIGHUP: opened off, kept for `coldpin off`, and it calls for an alarm that stands."""
    instance.rest_long_ago()
    instance.write_config()
    instance.tree.set(AIR, 21.0)
    instance.start()
    instance.until_message("STATUS=cool")
    with_signal(instance)
    instance.signal(signal.SIGHUP)

    instance.until(lambda: instance.is_on("signal"))
    assert "signal" in (instance.state / "kept-wiring.json").read_text(encoding="utf-8")
    instance.signal(signal.SIGTERM)
    instance.ended()
    assert instance.tape("signal") == ["open off", "on", "close off"]


def test_signal_that_a_reload_drops_is_off_and_its_line_is_free(instance: Bench) -> None:
    """Another program may use the line from then on; pump and fan keep theirs."""
    with_signal(instance)
    instance.start()
    instance.until_message("READY=1")
    assert _locked_lines(instance) == 3

    instance.write_config()
    instance.signal(signal.SIGHUP)

    instance.until(lambda: _locked_lines(instance) == 2)
    assert instance.tape("signal") == ["open off", "close off"]


def _locked_lines(instance: Bench) -> int:
    assert instance.process is not None
    locked = 0
    for each in Path(f"/proc/{instance.process.pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):  # a file that was open for a moment
            locked += str(each.readlink()).startswith(str(instance.memory / "coldpin-line-"))
    return locked


def test_signal_on_mains_without_a_relay_module_is_refused(instance: Bench) -> None:
    """The mains rule holds for a lamp as for any load."""
    with_signal(instance, "230 V AC")

    ran = instance.command("run", str(instance.config))

    assert ran.returncode == 78
    assert "loads.signal" in ran.stderr
    assert instance.tape("signal") == []


def test_log_without_a_reader_does_not_stop_control(instance: Bench) -> None:
    """Whoever read the log has gone: the loads still follow the air."""
    instance.rest_long_ago()
    instance.start()
    instance.until_message("READY=1")
    assert instance.process is not None
    assert instance.process.stderr is not None
    instance.process.stderr.close()
    instance.tree.set(AIR, 18.0)

    instance.until(lambda: instance.is_on("fan"))
    instance.tree.set(WATER, 30.0)
    instance.signal(signal.SIGTERM)
    assert instance.process.wait(AT_MOST_S) == 0
    assert instance.tape("pump")[-1] == "close off"


def test_a_shorter_pause_after_a_restart_ends_no_longer_one(instance: Bench) -> None:
    """The pause outlives the process, and so does what it means for the next one asked for."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    instance.start()
    instance.until(lambda: instance.is_on("fan"))
    instance.command("pause", str(instance.config), "--for", "40 min")
    instance.until(lambda: not instance.is_on("pump"))
    instance.signal(signal.SIGTERM)
    instance.ended()
    instance.start()
    instance.until((instance.folder / "run" / "status.json").exists)

    shorter = instance.command("pause", str(instance.config), "--for", "10 min")

    assert "Paused already, for longer" in shorter.stdout
    shown = instance.command("status", str(instance.config), "--json")
    assert json.loads(shown.stdout)["status"]["timers_left"]["pause_s"] > 2000


def test_people_ask_and_are_answered_while_it_runs_and_after(instance: Bench) -> None:
    """Pause, resume, stage and swap from a shell; status says how it is, by its exit status too."""
    instance.rest_long_ago()
    instance.tree.set(AIR, 18.0)
    assert instance.command("status", str(instance.config)).returncode == 2
    instance.start()
    instance.until(lambda: instance.is_on("fan"))
    assert instance.command("status", str(instance.config)).returncode == 0

    paused = instance.command("pause", str(instance.config), "--for", "10 min")
    assert "Paused until" in paused.stdout
    instance.until(lambda: not instance.is_on("pump") and not instance.is_on("fan"))
    shown = instance.command("status", str(instance.config), "--json")
    message = json.loads(shown.stdout)["status"]
    assert message["reason"] == "paused by a person"
    assert message["timers_left"]["pause_s"] > 500
    assert "The pause is over." in instance.command("resume", str(instance.config)).stdout
    assert (
        "Logged: 3 packs at"
        in instance.command("swap", str(instance.config), "--packs", "3").stdout
    )
    instance.signal(signal.SIGTERM)
    instance.ended()

    later = instance.command(
        "swap", str(instance.config), "--packs", "2", "--at", "2026-07-01T18:30"
    )
    assert "coldpin is not running on this machine. Logged all the same: 2 packs at" in later.stdout
    silent = instance.command("status", str(instance.config), "--json")
    assert silent.returncode == 2
    assert json.loads(silent.stdout)["last_swap"]["packs"] == 3  # the last one put in
    assert instance.command("stage", str(instance.config), "flowering").returncode == 64
    assert instance.command("pause", str(instance.config), "--for", "2 d").returncode == 64
