"""The forecast from the records: the lookout that goes on and the command that begins agree."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from controller.domain.events import STAGE
from controller.foresight.bins import RecordedSample
from controller.history.importing import add_history, reading_at
from controller.lookout.forecasting import RecordsForecaster
from controller.lookout.next_change import next_change
from controller.records.reader import RecordedReading
from controller.records.requests_file import REQUESTS, last_swap, log_past_swap
from controller.settings.load import Settings, read_settings
from controller.settings.shipped import shipped_config
from tests.benchmarks.drawn_chambers import draw, play
from tests.support.recorded_runs import opened

BEGINS = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
DAYS = 1.5


def reading_of(sample: RecordedSample) -> RecordedReading:
    return reading_at(
        BEGINS + timedelta(seconds=sample.at_s),
        (sample.air_c, sample.water_c, sample.room_c, None),
        pump=sample.cooling,
        fan=sample.cooling,
    )


@pytest.fixture
def recorded(tmp_path: Path) -> tuple[Settings, Path]:
    """Return settings and a state directory with a day and a half of readings and pack changes."""
    played = play(draw(6, seed=2), days=DAYS)
    settings = read_settings(shipped_config("larkmoor-laptop.toml"))
    add_history(
        tmp_path / "records.sqlite", map(reading_of, played.samples), name="one", chamber="c"
    )
    for at_s, log in played.logged:
        at = BEGINS + timedelta(seconds=at_s)
        log_past_swap(tmp_path / REQUESTS, at=at, packs=log.packs, who="test")
    return settings, tmp_path


def test_lookout_and_command_say_the_same(recorded: tuple[Settings, Path]) -> None:
    """At every hour of an afternoon, whatever was asked before; over a midnight in UTC too."""
    settings, place = recorded
    lookout = RecordsForecaster(settings, place)
    first = BEGINS + timedelta(hours=9)

    for hours in (0, 1, 2, 5, 20):
        as_of = first + timedelta(hours=hours)

        assert lookout.forecast(as_of) == RecordsForecaster(settings, place).forecast(as_of)


def test_a_change_before_the_first_reading_is_not_called_unknown(
    recorded: tuple[Settings, Path], tmp_path: Path
) -> None:
    """Packs in, the service started, the change logged by its time: it stands on the same page."""
    settings, _ = recorded
    new = tmp_path / "new"
    new.mkdir()
    first = map(reading_of, play(draw(6, seed=2), days=0.04).samples)
    add_history(new / "records.sqlite", first, name="one", chamber="c")
    as_of = BEGINS + timedelta(minutes=50)

    def said() -> str:
        made = RecordsForecaster(settings, new).forecast(as_of)
        return next_change(made, last_swap(new / REQUESTS), as_of).do

    nothing = "No forecast yet. Log your first pack change to start it."
    assert said() == nothing
    log_past_swap(new / REQUESTS, at=BEGINS - timedelta(hours=1), packs=4, who="test")

    assert said().startswith("No forecast yet. The pack change that was logged lies before the")


def test_the_stage_in_force_counts_not_the_one_in_the_file(
    recorded: tuple[Settings, Path],
) -> None:
    """Somebody has changed it: colder air needs colder water, so the cold ends sooner."""
    settings, place = recorded
    as_of = BEGINS + timedelta(hours=14)
    lookout = RecordsForecaster(settings, place)
    fruiting = lookout.forecast(as_of)

    with opened(place / "records.sqlite") as file:
        (run,) = file.execute("SELECT max(id) FROM runs").fetchone()
        ((at_ms, utc_ms),) = file.execute("SELECT at_ms, utc_ms FROM clocks WHERE run = ?", (run,))
        file.executemany(
            "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, ?, ?, ?, '')",
            [
                (run, at_ms + round(1000 * (at - utc_ms / 1000)), STAGE, name)
                for at, name in (
                    (as_of.timestamp() - 600.0, "pinning"),
                    (as_of.timestamp() + 3600.0, "fruiting"),
                )
            ],
        )

    pinning = lookout.forecast(as_of)
    assert pinning == RecordsForecaster(settings, place).forecast(as_of)
    in_the_file = settings.chamber.model_copy(update={"stage": "pinning"})
    changed = settings.model_copy(update={"chamber": in_the_file})
    assert pinning == RecordsForecaster(changed, place).forecast(as_of)
    assert fruiting.swap_due is not None
    assert pinning.swap_due is not None
    assert pinning.swap_due < fruiting.swap_due
    before = as_of - timedelta(minutes=30)
    assert lookout.forecast(before) == RecordsForecaster(settings, place).forecast(before)


def test_nothing_of_the_future_is_seen(recorded: tuple[Settings, Path], tmp_path: Path) -> None:
    """The forecast of a past moment is that of records which end there."""
    settings, place = recorded
    as_of = BEGINS + timedelta(hours=14)
    played = play(draw(6, seed=2), days=DAYS)
    cut = tmp_path / "cut"
    cut.mkdir()
    known = [row for row in map(reading_of, played.samples) if row.at < as_of]
    add_history(cut / "records.sqlite", known, name="one", chamber="c")
    for at_s, log in played.logged:
        at = BEGINS + timedelta(seconds=at_s)
        if at <= as_of:
            log_past_swap(cut / REQUESTS, at=at, packs=log.packs, who="test")

    whole = RecordsForecaster(settings, place).forecast(as_of)

    assert whole.known
    assert whole == RecordsForecaster(settings, cut).forecast(as_of)


def test_where_nothing_can_be_planned_the_freezer_is_not_said_to_keep_up(
    recorded: tuple[Settings, Path], tmp_path: Path
) -> None:
    """Unknown is never good news: neither "it keeps up" nor "0 K·h too warm"."""
    settings, place = recorded
    new = tmp_path / "new"
    new.mkdir()
    first = map(reading_of, play(draw(6, seed=2), days=0.01).samples)
    add_history(new / "records.sqlite", first, name="one", chamber="c")
    as_of = BEGINS + timedelta(hours=14)

    unknown = RecordsForecaster(settings, new).forecast(as_of)
    known = RecordsForecaster(settings, place).forecast(as_of)

    assert not unknown.known
    assert (unknown.freezer_keeps_up, unknown.degree_hours_above) == (None, None)
    assert known.freezer_keeps_up is not None
    assert known.degree_hours_above is not None
