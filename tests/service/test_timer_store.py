"""What a restart finds: on the medium, in memory, and where one of the two failed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from controller.core.decide import begin
from controller.core.state import Cooling
from controller.domain import places
from controller.domain.control_phase import Phase
from controller.records.boot import boottime
from controller.service import boot_memory, timer_store
from controller.service.kept_timers import (
    MOST_CUT_STARTS,
    START_PROVED_S,
    KeptTimers,
    doubted,
    newest_of,
    read_kept,
    write_kept,
    write_mirror,
)
from controller.service.timer_store import WRITE_WITHIN_S, TimerStore, stopped
from tests.support.waiting import until

BOOT = "boot-a"
NOW = 10_000.0
"""On the clock of the law; the boot-time clock is the machine's own."""
KEPT = KeptTimers(
    version=1,
    boot_id=BOOT,
    at_s=0.0,
    pump=False,
    pump_since_s=0.0,
    failed_tries=1,
    locked_since_s=None,
    paused_until_s=None,
)


@pytest.fixture(name="place")
def _place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a state directory; shared memory is a folder beside it."""
    for name in ("state", "shm"):
        (tmp_path / name).mkdir()
    monkeypatch.setattr(places, "SHARED_MEMORY", tmp_path / "shm")
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    return tmp_path / "state"


@pytest.fixture(name="store")
def _store(place: Path) -> Iterator[Callable[..., TimerStore]]:
    """Return a maker of stores, whose threads end with the test."""
    with ExitStack() as ends:

        def store(boot: str | None = BOOT) -> TimerStore:
            made = TimerStore(place, boot=boot)
            ends.callback(made.close, begin(NOW).cooling, NOW)
            return made

        yield store


def ago(time_s: float) -> float:
    """Return an instant on the boot-time clock."""
    return boottime() - time_s


def cooling_since(time_s: float, **changes: object) -> Cooling:
    """Return the cooling of a pump that has rested, or run, for so long at `NOW`."""
    return begin(NOW).cooling._replace(pump_since=NOW - time_s, **changes)  # type: ignore[arg-type]


def mirror_of(place: Path) -> Path:
    return boot_memory.boot_memory(place) / "boot-kept-timers.json"


def test_a_rest_that_was_kept_goes_on(place: Path, store: Callable[..., TimerStore]) -> None:
    """After a kill of the process, of which nothing was written: neither shorter nor anew."""
    first = store()
    first.begun(NOW)
    first.keep(cooling_since(100.0), NOW)
    assert first.keeps

    begun = store().begun(NOW + 20.0).cooling

    # a restart takes no time here: 20 s on the clock of the law, none on that of the boot
    assert begun.pump_since == pytest.approx(NOW - 80.0, abs=5.0)


def test_a_run_that_nobody_ended_rests_its_whole_time(store: Callable[..., TimerStore]) -> None:
    """The pump counts as running until now, and people hear of it."""
    first = store()
    first.before_start(cooling_since(0.0, pump=True), NOW)

    second = store()
    with capture_logs() as logs:
        begun = second.begun(NOW + 60.0).cooling

    assert begun.pump_since == NOW + 60.0
    assert second.ended_with_pump_on == "the process was killed"
    assert "last_run_ended_with_the_pump_on" in {line["event"] for line in logs}


def test_a_run_that_the_power_ended_is_told_apart(store: Callable[..., TimerStore]) -> None:
    """Another boot."""
    first = store("boot-before")
    first.before_start(cooling_since(40.0, pump=True), NOW)

    second = store()
    second.begun(NOW)

    assert second.ended_with_pump_on == "the power failed or the computer crashed"
    assert not second.supply_fails


def test_a_good_end_is_nothing_to_report(place: Path, store: Callable[..., TimerStore]) -> None:
    """The pump that ran is off since the end, and the copy in memory has gone."""
    first = store()
    first.before_start(cooling_since(40.0, pump=True), NOW)
    first.close(cooling_since(40.0, pump=True), NOW)
    assert list((place.parent / "shm").iterdir()) == []

    second = store()
    begun = second.begun(NOW + 50.0).cooling

    assert second.ended_with_pump_on is None
    assert not begun.pump
    assert begun.pump_since == pytest.approx(NOW + 50.0, abs=5.0)


def test_the_supply_fails_at_the_third_boot_that_came_at_a_start(
    store: Callable[..., TimerStore],
) -> None:
    """Counted through the files of three boots; a start that the supply outlives ends the count."""
    phases, fails = [], []
    for number in range(MOST_CUT_STARTS + 1):
        kept = store(f"boot-{number}")
        with capture_logs() as logs:
            phases.append(kept.begun(NOW).cooling.phase)
        fails.append(kept.supply_fails)
        named = [line for line in logs if line["event"] == "power_failed_at_a_start"]
        assert [line["times"] for line in named] == ([number] if number else [])
        kept.before_start(cooling_since(0.0, pump=True), NOW)

    assert phases == [Phase.REST] * MOST_CUT_STARTS + [Phase.LOCKOUT]
    assert fails == [False] * MOST_CUT_STARTS + [True]
    kept.keep(cooling_since(START_PROVED_S, pump=True), NOW)
    assert not kept.supply_fails
    kept.before_start(cooling_since(0.0, pump=True), NOW)
    with capture_logs() as logs:
        store("boot-after").begun(NOW)
    assert [line["times"] for line in logs if line["event"] == "power_failed_at_a_start"] == [1]


class FullMedium:
    """Lets nothing be written on it while it is full."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = False
        monkeypatch.setattr("controller.service.timer_store.write_kept", self.write)

    def write(self, path: Path, kept: KeptTimers) -> None:
        if self.full:
            raise OSError(28, "No space left on device")
        write_kept(path, kept)


def test_a_pump_starts_without_its_record_and_the_old_one_proves_no_rest(
    place: Path, store: Callable[..., TimerStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The medium fills up before a start; then the power fails, and memory with it."""
    medium, first = FullMedium(monkeypatch), store()
    first.keep(cooling_since(3600.0, failed_tries=2), NOW)
    until(lambda: read_kept(place / "kept-timers.json").timers is not None)
    medium.full = True

    with capture_logs() as logs:
        first.before_start(cooling_since(0.0, pump=True), NOW)
    assert not first.keeps
    lost = next(line for line in logs if line["event"] == "pump_starts_without_its_record")
    assert lost["in_memory"] is True
    assert lost["waited_s"] == timer_store.WRITE_WITHIN_S
    assert WRITE_WITHIN_S <= 1.0  # the loop waits with it

    assert read_kept(place / "kept-timers.json").timers is None
    mirror_of(place).unlink()
    begun = store().begun(NOW).cooling

    assert begun.pump_since == NOW  # and not since an hour
    assert begun.failed_tries == 2  # what else it says still counts
    medium.full = False
    first.keep(cooling_since(0.0), NOW)
    until(lambda: [file.name for file in place.iterdir()] == ["kept-timers.json"])


def test_a_file_that_cannot_be_renewed_at_a_start_proves_nothing(
    place: Path, store: Callable[..., TimerStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may be older than the last switch; the copy in memory is not."""
    old = replace(KEPT, at_s=ago(10.0), pump_since_s=ago(3600.0))
    write_kept(place / "kept-timers.json", old)
    medium = FullMedium(monkeypatch)
    medium.full = True

    assert store().begun(NOW).cooling.pump_since == NOW

    write_kept(place / "kept-timers.json", old)
    write_mirror(mirror_of(place), replace(old, at_s=ago(5.0)))
    assert store().begun(NOW).cooling.pump_since == pytest.approx(NOW - 3600.0, abs=5.0)


def test_memory_that_fails_is_logged_once_until_it_works_again(
    place: Path, store: Callable[..., TimerStore], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The medium still takes it."""
    failing = [True]

    def write(path: Path, kept: KeptTimers) -> None:
        if failing[0]:
            raise OSError(28, "No space left on device")
        write_mirror(path, kept)

    monkeypatch.setattr("controller.service.timer_store.write_mirror", write)
    kept = store()
    with capture_logs() as logs:
        for step, broken in enumerate([True, True, False, True]):
            failing[0] = broken
            kept.keep(cooling_since(10.0 + step), NOW)

    assert [line["event"] for line in logs] == ["kept_timers_not_in_memory"] * 2
    assert kept.keeps


def test_without_a_boot_id_nothing_is_kept(place: Path, store: Callable[..., TimerStore]) -> None:
    """Whatever is on the medium, the pump rests its whole time."""
    kept = store(None)
    assert kept.begun(NOW).cooling.pump_since == NOW
    kept.before_start(cooling_since(0.0, pump=True), NOW)
    kept.close(cooling_since(0.0), NOW)

    assert list(place.iterdir()) == []


def test_timers_of_a_newer_release_stay_as_they_are(
    place: Path, store: Callable[..., TimerStore]
) -> None:
    """Its release will want them; this one says that it keeps nothing."""
    text = json.dumps({**asdict(KEPT), "version": 9, "pump": True})
    (place / "kept-timers.json").write_text(text, encoding="utf-8")
    kept = store()

    assert kept.begun(NOW).cooling.pump_since == NOW
    kept.before_start(cooling_since(0.0, pump=True), NOW)
    kept.close(cooling_since(0.0), NOW)

    assert not kept.keeps
    assert kept.ended_with_pump_on is None  # it may mean something else by its words
    assert (place / "kept-timers.json").read_text(encoding="utf-8") == text
    assert mirror_of(place).exists()  # a restart in this boot goes by the copy in memory


def test_a_copy_of_another_boot_is_none(place: Path, store: Callable[..., TimerStore]) -> None:
    """Where the state directory stands for memory, its files outlive the boot."""
    write_mirror(mirror_of(place), replace(KEPT, boot_id="boot-before", failed_tries=3))

    assert store().begun(NOW).cooling.failed_tries == 0


@pytest.mark.parametrize(
    ("durable_s", "mirror_s", "newest"),
    [
        pytest.param(10.0, None, "durable", id="no-copy"),
        pytest.param(None, 10.0, "mirror", id="no-file"),
        pytest.param(10.0, 9.0, "durable", id="the-copy-is-older"),
        pytest.param(10.0, 10.0, "mirror", id="both-of-one-instant"),
        pytest.param(9.0, 10.0, "mirror", id="the-file-is-older"),
    ],
)
def test_the_later_of_file_and_copy_counts(
    durable_s: float | None, mirror_s: float | None, newest: str
) -> None:
    """Both of one boot; a copy of this boot beats a file of another, whatever its clock said."""
    durable = None if durable_s is None else replace(KEPT, at_s=durable_s, failed_tries=5)
    mirror = None if mirror_s is None else replace(KEPT, at_s=mirror_s)
    expected = durable if newest == "durable" else mirror

    assert newest_of(durable, mirror) is expected
    before = replace(KEPT, boot_id="boot-before", at_s=99.0)
    assert newest_of(before, KEPT) is KEPT
    assert newest_of(None, None) is None


def test_a_record_in_doubt_keeps_all_but_the_rest() -> None:
    """A lockout and a pause that it names still count."""
    kept = replace(KEPT, locked_since_s=5.0, paused_until_s=6.0)

    assert doubted(kept) == replace(kept, pump=True)
    assert doubted(None) is None


def test_a_pump_that_is_put_off_at_the_end_rests_from_then() -> None:
    """One that was off rests since it went off."""
    running = cooling_since(40.0, pump=True, fan=True)
    resting = cooling_since(40.0, fan=True)

    off = stopped(running, NOW)
    assert (off.pump, off.fan, off.pump_since) == (False, False, NOW)
    off = stopped(resting, NOW)
    assert (off.pump, off.fan, off.pump_since) == (False, False, NOW - 40.0)
