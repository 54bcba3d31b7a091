"""What a command writes for the service, what it refuses, and how it waits for the answer."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.cli import requests
from controller.cli.main import status_of
from controller.cli.requests import who_asks
from controller.domain.alarms import AlarmName
from controller.domain.places import state_directory
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    Request,
    Reset,
    Resume,
    SetStage,
)
from controller.records.requests_file import REQUESTS, answer_all, swaps, unanswered
from tests.cli.test_swap import answered_at_once
from tests.lookout.houses import put_status, settings_with, status
from tests.support.time_zones import zone_of_the_process


@pytest.fixture(name="config")
def _config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a chamber whose service is not running."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    settings_with(tmp_path)
    return tmp_path / "c.toml"


def waiting(config: Path) -> Request:
    """Return the one request that waits."""
    (request,) = unanswered(state_directory(config) / REQUESTS, most=10)
    assert isinstance(request, Request)
    return request


def test_a_pack_change_is_a_full_set_now_unless_somebody_says_otherwise(config: Path) -> None:
    """Four packs of the example; by whom, and nothing is claimed of their frost."""
    before = datetime.now(UTC).replace(microsecond=0)
    assert status_of(["swap", str(config)]) == 0

    request = waiting(config)
    payload = request.payload
    assert isinstance(payload, LogSwap)
    assert (payload.packs, payload.note, payload.frozen_through) == (4, "", FrozenThrough.UNKNOWN)
    assert before <= payload.at <= datetime.now(UTC)
    assert request.who == who_asks()


@pytest.mark.parametrize("through", list(FrozenThrough))
def test_a_pack_change_keeps_what_was_said_of_it(config: Path, through: FrozenThrough) -> None:
    """When, how many, how frozen, and a note."""
    words = ["--packs", "3", "--at", "2026-07-14T18:00:30+00:00", "--note", "from the garage",
             "--frozen-through", through.value]  # fmt: skip
    assert status_of(["swap", str(config), *words]) == 0

    assert waiting(config).payload == LogSwap(
        packs=3,
        at=datetime(2026, 7, 14, 18, 0, 30, tzinfo=UTC),
        note="from the garage",
        frozen_through=through,
    )


@pytest.mark.parametrize(("ahead_s", "status"), [(240, 0), (400, 64)], ids=["minutes", "more"])
def test_a_change_may_be_minutes_ahead_of_this_clock(
    config: Path, ahead_s: int, status: int
) -> None:
    """Another clock said so; a change to come is none."""
    at = datetime.now(UTC) + timedelta(seconds=ahead_s)

    assert status_of(["swap", str(config), "--at", at.isoformat()]) == status


@pytest.mark.parametrize(
    ("words", "payload"),
    [
        (["pause"], Pause(for_s=900.0)),
        (["pause", "--for", "4 h"], Pause(for_s=14_400.0)),
        (["resume"], Resume()),
        (["reset"], Reset()),
        (["ack"], Acknowledge()),
        (["ack", "air_high"], Acknowledge(alarm="air_high")),
        (["stage", "pinning"], SetStage(name="pinning", instead_of="fruiting")),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_command_writes_what_it_says(config: Path, words: list[str], payload: object) -> None:
    """The chamber is named first, then what concerns it."""
    assert status_of([words[0], str(config), *words[1:]]) == 0

    assert waiting(config).payload == payload


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["pause", "--for", "241 min"], "allowed: up to 4 h"),
        (["pause", "--for", "0 s"], "allowed: up to 4 h"),
        (["pause", "--for", "a while"], 'found "a while"'),
        (["stage", "resting"], 'found no stage "resting", allowed: fruiting, pinning'),
        (["ack", "too_hot"], 'found no alarm "too_hot", allowed: '),
    ],
    ids=["longer", "none", "no-time", "stage", "alarm"],
)
def test_what_no_service_could_do_is_refused_at_once(
    config: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """64, wrong usage; nothing is written."""
    assert status_of([words[0], str(config), *words[1:]]) == 64

    assert says in " ".join(capsys.readouterr().err.replace("│", " ").split())
    assert not (state_directory(config) / REQUESTS).exists()


def test_an_unknown_alarm_is_answered_with_those_there_are(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every one by its name."""
    status_of(["ack", str(config), "too_hot"])

    shown = " ".join(capsys.readouterr().err.replace("│", " ").split())
    assert all(name.value in shown for name in AlarmName)


def test_a_chamber_that_is_not_there_is_asked_for_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody would ever answer."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert status_of(["resume", str(tmp_path / "none.toml")]) == 78
    assert "found no file" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["resume"], "The request waits: it is done when coldpin starts, if it still applies."),
        (["swap", "--packs", "1"], "Logged all the same: 1 pack at "),
    ],
    ids=["resume", "swap"],
)
def test_without_a_service_it_says_what_holds(
    config: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A note of what happened counts; a wish waits."""
    assert status_of([words[0], str(config), *words[1:]]) == 0

    shown = capsys.readouterr().out
    assert shown.startswith("coldpin is not running on this machine. ")
    assert says in shown


def test_a_change_taken_back_counts_without_a_service_too(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By whom it was logged, and when."""
    status_of(["swap", str(config), "--packs", "2", "--at", "2026-07-14T18:00+00:00"])
    capsys.readouterr()

    assert status_of(["swap", str(config), "--undo"]) == 0

    shown = capsys.readouterr().out
    assert f"Taken back: 2 packs at 2026-07-14 19:00, logged by {who_asks()}." in shown
    assert "It counts all the same." in shown


def test_hours_are_those_of_the_chamber(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As on the page and in `coldpin status`: the example is in Lisbon, this shell is not."""
    with zone_of_the_process("America/Chicago"):
        assert status_of(["swap", str(config), "--packs", "2", "--at", "2026-07-14T18:00"]) == 0

    (swap,) = swaps(state_directory(config) / REQUESTS)
    assert swap.at == datetime(2026, 7, 14, 17, 0, tzinfo=UTC)
    assert "Logged all the same: 2 packs at 2026-07-14 18:00." in capsys.readouterr().out


def test_the_end_of_a_pause_is_in_the_hours_of_the_chamber(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also while a key of the file is wrong; the machine's, where it cannot be read at all."""
    answered_at_once(monkeypatch, "paused for 900 s")

    def shown() -> str:
        with zone_of_the_process("Asia/Kathmandu"):
            assert status_of(["pause", str(config)]) == 0
        return capsys.readouterr().out

    def until(zone: str) -> set[str]:
        now = datetime.now(ZoneInfo(zone))
        # a test may run over the end of a minute
        return {
            f"Paused until {now + timedelta(seconds=each):%H:%M}: pump and fan are off."
            for each in (840, 900)
        }

    text = config.read_text(encoding="utf-8")
    assert shown().strip() in until("Europe/Lisbon")
    config.write_text(f"{text}\n[zigzag]\n", encoding="utf-8")
    assert shown().strip() in until("Europe/Lisbon")
    config.write_text(f"{text}\n[zig", encoding="utf-8")
    assert shown().strip() in until("Asia/Kathmandu")


class Clock:
    """Time as the command waits; the service answers after so many seconds of it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, config: Path, after_s: float) -> None:
        self.now, self._after_s = 0.0, after_s
        self._path = state_directory(config) / REQUESTS
        monkeypatch.setattr(requests.time, "monotonic", lambda: self.now)
        monkeypatch.setattr(requests.time, "sleep", self.sleep)

    def sleep(self, time_s: float) -> None:
        self.now += time_s
        for request in unanswered(self._path, most=10):
            if self.now >= self._after_s:
                answer_all(self._path, [(request.id, "done")], utc_ms=0)


@pytest.mark.parametrize(("after_s", "status_code"), [(16.5, 0), (17.5, 75)], ids=["in", "late"])
def test_the_answer_is_waited_for_three_ticks_and_two_seconds(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    after_s: float, status_code: int,
) -> None:  # fmt: skip
    """Ticks of 5 s; what has no answer by then is not to be counted on."""
    put_status(state_directory(config), status(tick_s=5.0))
    Clock(monkeypatch, config, after_s)

    assert status_of(["resume", str(config)]) == status_code

    shown = capsys.readouterr()
    if status_code:
        assert (
            "has not answered within 17 s, so do not count on it. The request waits." in shown.err
        )
        assert "journalctl -u coldpin@c " in shown.err
    else:
        assert shown.out == "The pause is over.\n"


def test_a_service_that_died_is_not_waited_for(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its status is old, whatever it says."""
    put_status(state_directory(config), status(boottime_s=1.0))

    assert status_of(["resume", str(config)]) == 0
    assert "not running" in capsys.readouterr().out


def test_who_asks_is_the_person_and_not_root(monkeypatch: pytest.MonkeyPatch) -> None:
    """With sudo: whoever called it; without a name: the number."""
    monkeypatch.setenv("SUDO_USER", "tove")
    assert who_asks() == "tove"
    monkeypatch.delenv("SUDO_USER")
    assert who_asks() == getpass.getuser()

    def nobody() -> str:
        raise KeyError("uid not found")

    monkeypatch.setattr(requests.getpass, "getuser", nobody)
    monkeypatch.setattr(requests.os, "getuid", lambda: 4711)
    assert who_asks() == "uid 4711"
