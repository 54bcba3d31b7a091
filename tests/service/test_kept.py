"""What outlives the process, and what the service says to its manager and its log."""

from __future__ import annotations

import json
import math
import os
import socket
import time
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from controller.core.decide import begin, decide
from controller.domain.control_phase import Phase
from controller.domain.requests import LONGEST_PAUSE_S
from controller.errors import BusyError
from controller.service.fault_log import FaultLog
from controller.service.kept_timers import (
    KeptTimers,
    TimersFile,
    begin_from,
    cut_starts_after,
    kept_from,
    read_kept,
    write_kept,
)
from controller.service.kept_wiring import KeptLoad, read_kept_wiring, write_kept_wiring
from controller.service.locks import lock_instance
from controller.service_manager import Notifier
from tests.support.laws import make_inputs, make_law

KEPT = KeptTimers(
    version=1,
    boot_id="boot-a",
    at_s=1000.0,
    pump=False,
    pump_since_s=900.0,
    failed_tries=1,
    locked_since_s=None,
    paused_until_s=None,
)
AHEAD_S = 250.0  # boot-time clock minus the clock of the law
NOW = 800.0  # 1050 s on the boot-time clock


def changed(**changes: object) -> str:
    """Return the text of a file with other values in it."""
    return json.dumps({**asdict(KEPT), **changes})


@pytest.mark.parametrize(
    ("kept", "boot", "pump_since"),
    [
        pytest.param(KEPT, "boot-a", 650.0, id="same-boot-pump-off"),
        pytest.param(replace(KEPT, pump=True), "boot-a", NOW, id="died-with-the-pump-on"),
        pytest.param(KEPT, "boot-b", NOW, id="another-boot"),
        pytest.param(KEPT, None, NOW, id="kernel-does-not-say"),
        pytest.param(replace(KEPT, at_s=9999.0), "boot-a", NOW, id="written-in-the-future"),
        pytest.param(None, "boot-a", NOW, id="nothing-kept"),
    ],
)
def test_last_stop_counts_only_where_it_is_proved(
    kept: KeptTimers | None, boot: str | None, pump_since: float
) -> None:
    """Without proof from this boot the pump counts as stopped just now."""
    state = begin_from(kept, boot=boot, ahead_s=AHEAD_S, now=NOW)

    assert state.cooling.pump_since == pump_since


def test_lockout_and_pause_outlive_restart_and_reboot() -> None:
    """A restart shortens neither; a reboot begins the lockout anew and keeps what was left."""
    kept = replace(KEPT, locked_since_s=700.0, paused_until_s=1600.0, failed_tries=3)

    same = begin_from(kept, boot="boot-a", ahead_s=AHEAD_S, now=NOW).cooling
    other = begin_from(kept, boot="boot-b", ahead_s=AHEAD_S, now=NOW).cooling

    assert (same.phase, same.phase_since, same.paused_until) == (Phase.LOCKOUT, 450.0, 1350.0)
    assert (other.phase, other.phase_since, other.paused_until) == (Phase.LOCKOUT, NOW, NOW + 600)
    assert same.failed_tries == other.failed_tries == 3


def test_a_pause_that_was_over_before_a_reboot_is_over() -> None:
    """Nothing was left of it; and no pause is none."""
    over = begin_from(replace(KEPT, paused_until_s=1000.0), boot="boot-b", ahead_s=AHEAD_S, now=NOW)
    none = begin_from(KEPT, boot="boot-b", ahead_s=AHEAD_S, now=NOW)

    assert over.cooling.paused_until is None
    assert none.cooling.paused_until is None


def test_a_stop_and_a_lockout_never_lie_ahead() -> None:
    """Whatever a file says, nothing begins later than now."""
    ahead = replace(KEPT, pump_since_s=1049.0, locked_since_s=1051.0)
    late = replace(KEPT, pump_since_s=1051.0)

    assert begin_from(ahead, boot="boot-a", ahead_s=AHEAD_S, now=NOW).cooling.phase_since == NOW
    assert begin_from(late, boot="boot-a", ahead_s=AHEAD_S, now=NOW).cooling.pump_since == NOW


def test_what_is_kept_of_a_lockout_and_of_a_pause_is_on_the_clock_of_the_boot() -> None:
    """Instants of the law mean nothing to the next process."""
    locked = begin(500.0, locked_since=450.0, paused_until=900.0, failed_tries=3).cooling

    kept = kept_from(locked, boot="boot-a", ahead_s=AHEAD_S, now=600.0, cut_starts=2)

    assert (kept.at_s, kept.locked_since_s, kept.paused_until_s) == (850.0, 700.0, 1150.0)
    assert (kept.version, kept.boot_id, kept.cut_starts) == (1, "boot-a", 2)
    resting = kept_from(begin(500.0).cooling, boot="boot-a", ahead_s=AHEAD_S, now=600.0)
    assert (resting.locked_since_s, resting.paused_until_s) == (None, None)


def test_what_is_kept_comes_back_as_it_was(tmp_path: Path) -> None:
    """Written, read, and begun from: the cooling stands where it stood."""
    cooling = begin(500.0, last_stop=400.0, failed_tries=2).cooling
    path = tmp_path / "kept.json"

    write_kept(path, kept_from(cooling, boot="boot-a", ahead_s=AHEAD_S, now=600.0))
    kept = read_kept(path).timers
    state = begin_from(kept, boot="boot-a", ahead_s=AHEAD_S, now=650.0)

    assert state.cooling.pump_since == 400.0
    assert state.cooling.failed_tries == 2


@pytest.mark.parametrize(
    "content",
    [
        pytest.param("", id="empty"),
        pytest.param('{"version": 1, "boot', id="half-written"),
        pytest.param(json.dumps({**asdict(KEPT), "pump_since_s": "soon"}), id="text-for-a-number"),
        pytest.param('{"pump_since_s": NaN}', id="not-all-there"),
        pytest.param(changed(version=0), id="no-version-of-ours"),
        pytest.param(changed(failed_tries=1.5), id="tries-not-whole"),
        pytest.param(changed(failed_tries=-1), id="fewer-tries-than-none"),
        pytest.param(changed(pump=1), id="pump-neither-on-nor-off"),
        pytest.param(changed(boot_id=7), id="boot-without-a-name"),
        pytest.param(changed(starting="no"), id="starting-in-words"),
        pytest.param(changed(cut_starts=0.5), id="half-a-start"),
        pytest.param(changed(locked_since_s=math.inf), id="locked-for-ever"),
        pytest.param(changed(paused_until_s="noon"), id="paused-until-a-word"),
        pytest.param("\x00" * 200, id="zeros-after-a-power-cut"),
        pytest.param("[" * 100_000, id="nested-without-end"),
        pytest.param(json.dumps({**asdict(KEPT), "at_s": 10**400}), id="larger-than-any-float"),
    ],
)
def test_file_that_cannot_be_believed_proves_nothing(tmp_path: Path, content: str) -> None:
    """It is said in the log, and the pump rests its whole time."""
    path = tmp_path / "kept.json"
    path.write_text(content, encoding="utf-8")

    with capture_logs() as logs:
        assert read_kept(path) == TimersFile()

    assert [line["event"] for line in logs] == ["kept_timers_unreadable"]


def test_write_that_fails_leaves_the_old_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk at the worst moment costs the news, not the old state."""
    path = tmp_path / "kept.json"
    write_kept(path, KEPT)

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("controller.records.durable.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_kept(path, replace(KEPT, pump=True))

    assert read_kept(path).timers == KEPT


def test_wiring_comes_back_and_an_unreadable_one_is_no_wiring(tmp_path: Path) -> None:
    """What `coldpin off` goes by after a crash."""
    loads = (KeptLoad(name="pump", driver="gpio", options={"pin": 5, "active_low": True}),)

    write_kept_wiring(tmp_path, loads)
    assert read_kept_wiring(tmp_path) == loads
    for damaged in ('[{"name": "pump"}]', "[" * 100_000, "9" * 5000, "\x00" * 200):
        (tmp_path / "kept-wiring.json").write_text(damaged, encoding="utf-8")
        assert read_kept_wiring(tmp_path) == ()


@pytest.mark.parametrize("boot", ["boot-a", "boot-b"], ids=["same-boot", "after-a-reboot"])
def test_no_file_makes_a_pause_longer_than_a_person_can(boot: str) -> None:
    """A bit that fell over must not keep the chamber warm for ever."""
    kept = replace(KEPT, paused_until_s=1e300)

    state = begin_from(kept, boot=boot, ahead_s=AHEAD_S, now=NOW)

    assert state.cooling.paused_until == NOW + LONGEST_PAUSE_S


@pytest.mark.parametrize("abstract", [False, True], ids=["path", "abstract"])
def test_messages_reach_the_manager_as_utf8(tmp_path: Path, abstract: bool) -> None:
    """Source: sd_notify(3): one datagram a message, @ for the abstract namespace."""
    address = f"@coldpin-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0{address[1:]}" if abstract else address)
        manager.settimeout(5)
        notifier = Notifier(address, watchdog_s=3.0)
        notifier.ready()
        notifier.status("air 16.5 °C")
        notifier.status("air 16.5 °C")
        notifier.alive()
        received = [manager.recv(100).decode("utf-8") for _ in range(3)]

    assert received == ["READY=1", "STATUS=air 16.5 °C", "WATCHDOG=1"]


def test_what_is_said_once_waits_a_second_for_a_busy_manager_and_the_loop_never(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Source: unix(7): a datagram waits for room in a full queue, as long as the socket allows.

    A start whose READY is lost is taken for a failed one; after a lost ping comes another.
    """
    waits: list[float] = []

    class Recorded(socket.socket):
        def settimeout(self, value: float | None) -> None:
            assert value is not None
            waits.append(value)
            super().settimeout(value)

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setattr("controller.service_manager.socket.socket", Recorded)
        notifier = Notifier(str(tmp_path / "notify"), watchdog_s=3.0)
        notifier.ready()
        notifier.status("rest")
        notifier.alive()
        notifier.reloading()
        notifier.stopping()

    assert waits == [1.0, 0.0, 0.0, 0.0, 1.0]


def test_the_manager_hears_of_a_reload_and_of_the_end(tmp_path: Path) -> None:
    """Source: sd_notify(3): RELOADING=1 comes with the monotonic time in microseconds."""
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(5)
        notifier = Notifier(address)
        before = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        notifier.reloading()
        notifier.alive()  # no watchdog was asked for: nothing is sent
        notifier.stopping()
        reloading, stopping = (manager.recv(100).decode("utf-8") for _ in range(2))

    first, second = reloading.split("\n")
    assert (first, stopping) == ("RELOADING=1", "STOPPING=1")
    key, usec = second.split("=")
    assert key == "MONOTONIC_USEC"
    assert before <= int(usec) <= time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000


@pytest.mark.parametrize(
    ("usec", "pid", "watchdog_s"),
    [
        pytest.param("2500000", None, 2.5, id="for-whoever-asks"),
        pytest.param("2500000", "this", 2.5, id="for-this-process"),
        pytest.param("2500000", "1", None, id="for-another-process"),
        pytest.param("soon", None, None, id="no-number"),
        pytest.param(None, None, None, id="not-watched"),
    ],
)
def test_a_watchdog_is_fed_only_where_it_watches_this_process(
    monkeypatch: pytest.MonkeyPatch, usec: str | None, pid: str | None, watchdog_s: float | None
) -> None:
    """Source: sd_watchdog_enabled(3)."""
    for name, value in (("WATCHDOG_USEC", usec), ("WATCHDOG_PID", pid)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, str(os.getpid()) if value == "this" else value)

    assert Notifier.from_environment().watchdog_s == watchdog_s
    assert "WATCHDOG_USEC" not in os.environ


def test_manager_that_is_not_there_is_no_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    """No socket: silence. A socket that fails: one line in the log. Children inherit nothing."""
    monkeypatch.setenv("NOTIFY_SOCKET", "/nowhere/at/all")
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    with capture_logs() as logs:
        notifier = Notifier.from_environment()
        for _ in range(3):
            notifier.ready()
        Notifier(None).ready()

    assert notifier.watchdog_s == 30.0
    assert len(logs) == 1
    assert "NOTIFY_SOCKET" not in __import__("os").environ


def test_a_fault_whose_text_changes_goes_on() -> None:
    """It is logged with each new text, and ends once."""
    lines = []
    log = FaultLog(lambda event, **more: lines.append((event, more["fault"])))
    for now, text in enumerate(["no room", "read only", "read only"]):
        log.fault("records", text, float(now))
    log.ended("records", 3.0)

    assert lines == [("fault", "no room"), ("fault", "read only"), ("fault_ended", "read only")]


def test_identical_fault_is_reported_once_with_a_count_at_its_end() -> None:
    """Not every tick: at the start, each hour, and when it is over."""
    message: list[dict[str, object]] = []
    once = FaultLog(lambda event, **more: message.append({"event": event, **more}))

    for tick in range(1000):
        once.fault("air", "empty read", 5.0 * tick, raw=f"turn {tick}")
    once.ended("air", 5000.0)
    once.ended("air", 5005.0)

    assert [line["event"] for line in message] == ["fault", "fault_goes_on", "fault_ended"]
    assert message[-1]["times"] == 1000


@pytest.mark.parametrize("away_s", [10, 70, 400, 1790, 3000])
def test_a_fault_that_comes_and_goes_fills_no_log(away_s: int) -> None:
    """A week of a probe that answers a part of the time: 200 lines at most, and none is untrue."""
    logged: list[dict[str, object]] = []
    log = FaultLog(lambda event, **more: logged.append({"event": event, **more}))
    times, week_s = 0, 7 * 86_400
    for at in range(0, week_s, 5):
        if at % (away_s + 30) < away_s:
            times += 1
            log.fault("air", "gone" if at % 3 else "late", float(at))
        else:
            log.ended("air", float(at))
    for at in range(week_s, week_s + 3 * 3600, 5):
        log.ended("air", float(at))

    assert len(logged) <= 200
    assert [line["event"] for line in logged[:2]] == ["fault", "fault"]
    assert logged[-1]["event"] in {"fault_ended", "fault_comes_and_goes"}
    assert not logged[-1].get("stands", False)
    log.fault("air", "gone", week_s + 3 * 3600.0)
    assert logged[-1] == {"event": "fault", "what": "air", "fault": "gone"}


def test_instance_is_locked_by_one_process(tmp_path: Path) -> None:
    """The second is told who holds it."""
    with (
        lock_instance(tmp_path),
        pytest.raises(BusyError, match="already controls this chamber"),
    ):
        lock_instance(tmp_path)


def resting(*, starting: bool, cut_starts: int) -> KeptTimers:
    """Return what a power cut left behind."""
    return replace(KEPT, failed_tries=0, starting=starting, cut_starts=cut_starts)


@pytest.mark.parametrize(
    ("kept", "boot", "count"),
    [
        pytest.param(None, "boot-b", 0, id="nothing-kept"),
        pytest.param(resting(starting=True, cut_starts=0), "boot-b", 1, id="cut-at-a-start"),
        pytest.param(resting(starting=True, cut_starts=2), "boot-b", 3, id="cut-again"),
        pytest.param(resting(starting=False, cut_starts=2), "boot-b", 0, id="cut-at-rest"),
        pytest.param(resting(starting=True, cut_starts=1), "boot-a", 1, id="service-restarted"),
        pytest.param(resting(starting=True, cut_starts=1), None, 1, id="kernel-does-not-say"),
    ],
)
def test_boots_that_came_at_a_start_of_the_pump_are_counted(
    kept: KeptTimers | None, boot: str | None, count: int
) -> None:
    """In a row; one that came at rest, or a restart of the service alone, is none."""
    assert cut_starts_after(kept, boot=boot) == count


def test_the_third_boot_in_a_row_at_a_start_locks_the_pump_out() -> None:
    """The first two rest their time; a reset by a person ends it as it ends any lockout."""
    second = begin_from(
        resting(starting=True, cut_starts=1), boot="boot-b", ahead_s=AHEAD_S, now=NOW
    )
    third = begin_from(
        resting(starting=True, cut_starts=2), boot="boot-b", ahead_s=AHEAD_S, now=NOW
    )

    assert second.cooling.phase is Phase.REST
    assert (third.cooling.phase, third.cooling.phase_since) == (Phase.LOCKOUT, NOW)


def test_a_start_is_marked_for_half_a_minute_and_no_rest_is() -> None:
    """A reboot while the pump rests before a start cuts no start."""
    law, marked = make_law(anti_short_cycle_s=300), []
    state = begin(0.0)
    for tick in range(1, 90):
        now = 5.0 * tick
        state, decision = decide(state, make_inputs(18.0), now, law)
        kept = kept_from(state.cooling, boot="b", ahead_s=0.0, now=now)
        marked.append((decision.pump, kept.starting))

    first_on = marked.index((True, True))
    assert set(marked[:first_on]) == {(False, False)}
    assert set(marked[first_on : first_on + 6]) == {(True, True)}
    assert set(marked[first_on + 6 :]) == {(True, False)}


def test_a_file_of_an_older_release_is_still_read(tmp_path: Path) -> None:
    """It knew nothing of starts."""
    path = tmp_path / "kept.json"
    old = asdict(KEPT)
    del old["starting"], old["cut_starts"]
    path.write_text(json.dumps(old), encoding="utf-8")

    assert read_kept(path).timers == KEPT


@pytest.mark.parametrize(
    ("changes", "phase"),
    [
        pytest.param({}, Phase.REST, id="no-lockout-known"),
        pytest.param({"locked_since_s": 700.0}, Phase.LOCKOUT, id="lockout"),
        pytest.param({"locked_since_s": "since noon"}, Phase.LOCKOUT, id="not-understood"),
        pytest.param({"locked_since_s": 10**400}, Phase.LOCKOUT, id="larger-than-any-float"),
    ],
)
def test_timers_of_a_newer_release_count_as_the_worst_they_could_mean(
    tmp_path: Path, changes: dict[str, object], phase: Phase
) -> None:
    """The pump rests its whole time; a lockout counts unless the file denies it."""
    path = tmp_path / "kept-timers.json"
    path.write_text(json.dumps({**asdict(KEPT), "version": 9, "new": 1, **changes}), "utf-8")

    with capture_logs() as logs:
        kept = read_kept(path)
    cooling = begin_from(kept.timers, boot="boot-a", ahead_s=AHEAD_S, now=NOW).cooling

    assert kept.of_a_newer_release
    assert (cooling.phase, cooling.pump_since) == (phase, NOW)
    assert [line["event"] for line in logs] == ["kept_timers_of_a_newer_release"]


def test_what_a_newer_release_wrote_and_this_one_understands_still_counts(tmp_path: Path) -> None:
    """Tries, a pause, the boot; what it cannot read is left out."""
    path = tmp_path / "kept-timers.json"
    newer = {**asdict(KEPT), "version": 2, "failed_tries": 2, "paused_until_s": 1600.0}
    path.write_text(json.dumps(newer), "utf-8")
    cooling = begin_from(read_kept(path).timers, boot="boot-a", ahead_s=AHEAD_S, now=NOW).cooling
    assert (cooling.failed_tries, cooling.paused_until) == (2, 1350.0)

    odd = {"version": 2, "failed_tries": -3, "paused_until_s": math.inf, "boot_id": 7}
    path.write_text(json.dumps(odd), "utf-8")
    cooling = begin_from(read_kept(path).timers, boot="boot-a", ahead_s=AHEAD_S, now=NOW).cooling
    assert (cooling.failed_tries, cooling.paused_until) == (0, None)
    assert cooling.phase is Phase.LOCKOUT  # it does not deny one
