"""One forecaster for command, lookout and rehearsal: what it says depends on the past alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from random import Random
from typing import Any

import pytest

from controller.foresight.bins import BinLog, RecordedSample, bins_of
from controller.foresight.forecast import Forecast
from controller.foresight.forecaster import DAY_S, Forecaster, learned_since_s, packs_due
from controller.foresight.swaps import Logged
from controller.foresight.visits import Habits
from controller.foresight.water_fit import fit
from controller.thermal.freezing import FreezerPace
from tests.benchmarks.drawn_chambers import PlayedChamber, draw, play

HOUR_S = 3600.0
DAYS = 3.0
HABITS = Habits(
    wakes_h=7.0,
    sleeps_h=23.0,
    packs=8,
    packs_in_set=4,
    freezer=FreezerPace(refreeze_s=12 * HOUR_S, pack_s=0.0),
)


@cache
def played() -> PlayedChamber:
    return play(draw(6, seed=2), days=DAYS)


def forecaster() -> Forecaster:
    drawn = played().drawn
    return Forecaster(
        drawn.believed,
        drawn.band,
        HABITS,
        hour_at=lambda at_s: at_s / HOUR_S % 24.0,
        room_probe=drawn.room_probe,
    )


def logs(now_s: float) -> list[Logged]:
    return [log for at_s, log in played().logged if at_s <= now_s]


def test_asked_often_or_once_it_says_the_same() -> None:
    """The lookout, which forecasts all day, and the command, which starts anew, agree."""
    samples, end_s = played().samples, (DAYS - 0.1) * DAY_S
    often = forecaster()
    given = 0
    for at_s in [end_s * share for share in (0.3, 0.31, 0.55, 0.7, 0.9, 0.99, 1.0)]:
        until = sum(sample.at_s < at_s for sample in samples)
        often.add(samples[given:until])
        given = until
        last = often.forecast(logs(at_s), now_s=at_s)
    once = forecaster()
    once.add(samples)

    fresh = once.forecast(logs(end_s), now_s=end_s)

    assert last.basis == "learned"
    assert replace(last, situation=None) == replace(fresh, situation=None)


def test_learned_from_ten_days_and_from_the_same_on_one_day() -> None:
    """The beginning moves at midnight only."""
    noon_s = 20_000.5 * DAY_S

    assert learned_since_s(noon_s) == 19_990.0 * DAY_S
    assert learned_since_s(noon_s + 11.9 * HOUR_S) == learned_since_s(noon_s)
    assert learned_since_s(noon_s + 12.1 * HOUR_S) == learned_since_s(noon_s) + DAY_S


@pytest.mark.parametrize("seed", range(8))
def test_bins_made_bit_by_bit_are_those_made_at_once(seed: int) -> None:
    """Samples in bursts and with holes, rows of the last minutes given again and more of them."""
    random = Random(seed)
    samples, at_s = [], 1000.0
    for _ in range(400):
        at_s += random.choice([10.0, 60.0, 61.0, 240.0, 1700.0])
        lost = random.random() < 0.1
        air_c, cooling = None if lost else random.uniform(14, 16), random.random() < 0.5
        samples.append(RecordedSample(at_s, air_c, 6.0, None, cooling))
    log = BinLog()
    now_s = 0.0
    while now_s < at_s:
        read_from_s = max(0.0, now_s - 600.0)
        now_s += random.uniform(100.0, 9000.0)
        log.add([s for s in samples if read_from_s <= s.at_s < now_s], since_s=read_from_s)

        assert log.until(now_s) == list(bins_of(samples, until_s=now_s))


def test_a_bin_is_filled_once() -> None:
    """Samples of whole bins are let go; a lookout that runs for a month does not grow by them."""
    log = BinLog()
    log.add(RecordedSample(60.0 * i, 15.0, 6.0, None, True) for i in range(300))
    whole = len(log.until(18_000.0))

    assert whole == 60
    assert len(log._open) < 30
    assert log.until(18_000.0) == log.until(18_000.0)


def test_a_bin_log_forgets_what_is_too_old() -> None:
    """And goes on as if it had never been there."""
    samples = [RecordedSample(60.0 * i, 15.0, 6.0, None, True) for i in range(300)]
    log = BinLog()
    log.add(samples)
    log.until(18_000.0)

    log.forget_before(9000.0)

    assert log.until(18_000.0) == list(bins_of(samples[150:], until_s=18_000.0))


@pytest.mark.parametrize(
    ("early_s", "lead_s", "due"),
    [(7200.0, 3600.0, False), (7200.0, 7200.0, True), (7200.0, 7199.0, False), (None, 1e6, False)],
)
def test_packs_are_due_a_lead_before_the_early_bound(
    early_s: float | None, lead_s: float, *, due: bool
) -> None:
    """At the bound less the lead, not a second sooner; never where no end is in sight."""
    forecast = Forecast(as_of_s=0.0, early_s=early_s, basis="learned")

    assert packs_due(forecast, lead_s=lead_s) is due


def test_from_nothing_nothing_is_due_or_not() -> None:
    """Unknown is neither."""
    assert packs_due(Forecast(as_of_s=0.0), lead_s=3600.0) is None


def test_without_the_hours_of_pump_and_fan_it_says_what_it_lacks() -> None:
    """A record without them is no record of a coil that rested all week."""
    blind = forecaster()
    blind.add(sample._replace(cooling=None) for sample in played().samples)

    forecast = blind.forecast(logs(2.0 * DAY_S), now_s=2.0 * DAY_S)

    assert forecast.basis == "unknown"
    assert forecast.due_s is None
    assert forecast.notes == (
        "the records since the last pack change do not say when pump and fan ran",
    )


def test_a_repeated_forecast_learns_nothing_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the set in the water is fitted again; what earlier ones taught is kept."""
    fits: list[int] = []

    def counted(*arguments: Any) -> Any:
        fits.append(1)
        return fit(*arguments)

    monkeypatch.setattr("controller.foresight.learning.fit", counted)
    samples, now_s = played().samples, (DAYS - 0.1) * DAY_S
    often = forecaster()
    often.add(samples)
    often.forecast(logs(now_s), now_s=now_s)
    learned = len(fits)

    for later_s in (300.0, 600.0, 900.0):
        often.forecast(logs(now_s), now_s=now_s + later_s)

    assert learned > 6
    assert len(fits) - learned == 3
