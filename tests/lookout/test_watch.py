"""The watch: forecasts now and then, listeners that fail, and a word left for the shell."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import structlog

from controller.cli.main import status_of
from controller.lookout.forecasting import guarded
from controller.lookout.snapshot import Snapshot
from controller.lookout.watch import FORECAST_EVERY_S, Watch
from controller.records.forecast_file import FORECAST, read_forecast
from controller.settings.shipped import shipped_config
from tests.lookout.houses import NOW, forecast, put_status, status

CONFIG = str(shipped_config("larkmoor-laptop.toml"))
SECOND = timedelta(seconds=1)


def test_forecasts_come_every_few_minutes_and_after_a_clock_that_jumps(tmp_path: Path) -> None:
    """Not with every look; a clock set back by hours does not stop them."""
    made: list[datetime] = []

    def make(at: datetime) -> dict[str, Any]:
        made.append(at)
        return forecast(at + timedelta(hours=3))

    watch = Watch(tmp_path, forecast=make)
    for at_s in (0.0, 5.0, FORECAST_EVERY_S - 1, FORECAST_EVERY_S, -7200.0, -7195.0):
        watch.step(NOW + at_s * SECOND)

    assert [(at - NOW) / SECOND for at in made] == [0.0, FORECAST_EVERY_S, -7200.0]


def test_a_listener_that_fails_is_told_of_once_and_harms_no_other(tmp_path: Path) -> None:
    """The page does not stop because a notice could not be thought of."""
    heard: list[Snapshot] = []

    def broken(_: Snapshot) -> None:
        raise RuntimeError("no")

    watch = Watch(tmp_path, forecast=lambda _: None, listeners=[broken, heard.append])
    with structlog.testing.capture_logs() as logs:
        for i in range(5):
            watch.step(NOW + i * SECOND)

    assert len(heard) == 5
    assert [line["event"] for line in logs] == ["listener_failed"]


def test_what_keeps_a_forecast_from_being_made_is_told_once() -> None:
    """No records yet, a disk that is gone: None, and a line in the log."""
    told: list[str] = []

    def fails(_: datetime) -> dict[str, Any]:
        raise OSError("no records are kept here yet")

    make = guarded(fails, told.append)

    assert [make(NOW), make(NOW)] == [None, None]
    assert len(told) == 1


def test_status_shows_when_packs_are_due(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the lookout's newest word, while it is fresh."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    put_status(tmp_path, status())
    now = datetime.now(UTC)
    made = forecast(now + timedelta(hours=3), as_of=now.isoformat())
    Watch(tmp_path, forecast=lambda _: made).step(now)

    assert status_of(["status", CONFIG]) == 0
    shown = capsys.readouterr().out
    assert status_of(["status", CONFIG, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)

    assert "swap due" in shown
    assert "in 4 h" in shown
    assert document["forecast"]["basis"] == "learned"


@pytest.mark.parametrize(
    "content",
    ["", "{}", "[]", '{"as_of": 3}', '{"as_of": "2020-01-01T00:00:00+00:00"}'],
    ids=["empty", "nothing", "list", "number", "old"],
)
def test_an_old_or_damaged_word_is_no_word(tmp_path: Path, content: str) -> None:
    """What nobody renewed is not shown as if it held."""
    (tmp_path / FORECAST).write_text(content, encoding="utf-8")

    assert read_forecast(tmp_path, now=NOW) is None
