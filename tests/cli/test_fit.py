"""`coldpin fit` from a state directory to a file that the configuration names."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.cli.main import EX_UNAVAILABLE, EX_USAGE, coldpin, status_of
from controller.fit.figures import FIGURES
from controller.history.importing import add_history, reading_at
from controller.records.requests_file import REQUESTS, log_past_swap
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.support.recorded_plant import recorded_plant
from tests.support.runner import separating_runner

BEGINS = datetime(2026, 7, 6, tzinfo=UTC)
UNTIL = "2026-07-08T00:00:00+00:00"


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The laptop's configuration with a state directory of its own."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    path = tmp_path / "shelf.toml"
    path.write_text(
        shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    return path


def keep_record(config: Path, *, days: float, room: bool = True) -> None:
    """Put days of a plant whose wall lets 40 % more through into the records."""
    spec = read_settings(config).plant_spec()
    spec = FIGURES[0].put(spec, 1.4 * FIGURES[0].of(spec))
    place = config.parent / "state"
    seen, swaps = recorded_plant(spec, days=days, begins_s=BEGINS.timestamp())
    add_history(
        place / "records.sqlite",
        (
            reading_at(
                datetime.fromtimestamp(point.at_s, UTC),
                (point.air_c, point.water_c, point.room_c if room else None, None),
                pump=point.pump,
                fan=point.fan,
            )
            for point in seen
        ),
        name="made",
        chamber="hall shelf",
    )
    for swap in swaps:
        at = datetime.fromtimestamp(swap.at_s, UTC)
        log_past_swap(place / REQUESTS, at=at, packs=swap.packs or 0, who="Tove")


def test_figures_are_learned_written_and_used(config: Path) -> None:
    """From records to a file, and from the file into sizing."""
    keep_record(config, days=2.0)
    arguments = ["fit", str(config), "--until", UNTIL, "--html", str(config.parent / "m.html")]

    ran = separating_runner().invoke(coldpin, [*arguments, "--json"], catch_exceptions=False)

    assert ran.exit_code == 0
    document = json.loads(ran.stdout)
    (wall,) = [each for each in document["fitted"] if each["key"].endswith("wall_u_w_m2k")]
    assert wall["low"] < 1.4 * wall["before"] < wall["high"]
    page = (config.parent / "m.html").read_text(encoding="utf-8")
    assert "Reservoir, °C" in page
    assert "model line" in page
    assert "plant.chamber.wall_u_w_m2k" in page

    before = read_settings(config).plant_spec()
    text = config.read_text(encoding="utf-8")
    config.write_text(f'{text}\n[plant]\nfitted = "shelf-fit.toml"\n', encoding="utf-8")
    after = read_settings(config).plant_spec()
    assert after.chamber.wall_u_w_m2k == pytest.approx(wall["value"], rel=1e-4)
    assert after.chamber.crop_kg == before.chamber.crop_kg


def test_a_record_that_tells_nothing_is_refused(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half a day is too short; nothing is written."""
    keep_record(config, days=0.5)

    assert status_of(["fit", str(config), "--until", UNTIL]) == EX_UNAVAILABLE

    printed = capsys.readouterr().err
    assert "12 h of readings" in printed
    assert "24 h or more" in printed
    assert not config.with_name("shelf-fit.toml").exists()


def test_without_a_room_probe_it_says_what_to_do(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Wall and crop could not be told apart."""
    keep_record(config, days=0.2, room=False)

    assert status_of(["fit", str(config), "--until", UNTIL]) == EX_UNAVAILABLE
    assert "fit a probe in the room" in capsys.readouterr().err


def test_without_records_it_says_so(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An instance that never ran."""
    assert status_of(["fit", str(config)]) == EX_UNAVAILABLE
    assert "there are no records yet" in capsys.readouterr().err


def test_a_place_that_cannot_be_written_is_named(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before an hour of work would be lost; no traceback."""
    out = config.parent / "missing" / "fit.toml"
    assert status_of(["fit", str(config), "--out", str(out)]) == EX_USAGE
    assert f"found no folder {out.parent}" in capsys.readouterr().err
