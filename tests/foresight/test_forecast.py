"""Swap due on simulated chambers of which the forecast sees what their probes showed."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import pairwise

import pytest

from controller.foresight.bins import Bin, RecordedSample, bins_of
from controller.foresight.forecast import Forecast, make_forecast
from controller.foresight.learning import Learning
from controller.foresight.situation import Situation
from controller.foresight.swap_plan import SHORT_K_H, SwapPlan, changed, plan_swaps
from controller.foresight.swaps import Logged
from controller.foresight.unknowns import FROZEN, FROZEN_MEAN
from controller.foresight.visits import Habits, Policy, possible_visit
from controller.foresight.water_side import Group, Water
from controller.thermal.freezing import FreezerPace, frozen_queue
from tests.benchmarks.drawn_chambers import PlayedChamber, draw, play

HOUR_S = 3600.0
DAYS = 3.0


def hour_at(at_s: float) -> float:
    return at_s / HOUR_S % 24.0


@cache
def played(number: int) -> PlayedChamber:
    return play(draw(number, seed=2), days=DAYS)


def learning(of: PlayedChamber) -> Learning:
    drawn = of.drawn
    return Learning(drawn.believed, drawn.band, hour_at=hour_at, room_probe=drawn.room_probe)


def bins_until(of: PlayedChamber, now_s: float) -> list[Bin]:
    return list(bins_of(of.samples, until_s=now_s))


def logs(of: PlayedChamber, now_s: float) -> list[Logged]:
    return [log for at_s, log in of.logged if at_s <= now_s]


def judged(of: PlayedChamber, *, lead_s: float) -> list[tuple[Forecast, float]]:
    """Return forecasts so long before each end that nobody forestalled, and the ends."""
    mind = learning(of)
    results = []
    for cycle in of.cycles:
        if cycle.due_s is None or cycle.ended_s is None or cycle.due_s > cycle.ended_s:
            continue
        now_s = cycle.due_s - lead_s
        if now_s < cycle.swapped_s + 1800.0:
            continue
        forecast = make_forecast(mind, bins_until(of, now_s), logs(of, now_s), now_s=now_s)
        results.append((forecast, cycle.due_s))
    return results


@pytest.mark.parametrize("number", [6, 10, 17, 28])
def test_the_end_is_reported_three_hours_ahead(number: int) -> None:
    """The last ones within an hour; bounds in order, the reserve above nothing.

    The benchmark of drawn chambers has the figures; this holds the line well outside them.
    """
    results = judged(played(number), lead_s=3 * HOUR_S)

    assert len(results) >= 2
    for forecast, due_s in results[-2:]:
        assert forecast.due_s is not None
        assert abs(forecast.due_s - due_s) < HOUR_S
        assert forecast.early_s is not None
        assert forecast.late_s is not None
        assert forecast.as_of_s <= forecast.early_s <= forecast.due_s <= forecast.late_s
        assert forecast.reserve_kj is not None
        assert forecast.reserve_kj > 0.0


def test_the_same_past_gives_the_same_forecast() -> None:
    """Whether it was learned step by step or at once."""
    of = played(6)
    now_s = (DAYS - 0.1) * 86_400.0
    step_by_step = learning(of)
    for at_s in (0.4 * now_s, 0.7 * now_s, now_s):
        last = make_forecast(step_by_step, bins_until(of, at_s), logs(of, at_s), now_s=at_s)

    at_once = make_forecast(learning(of), bins_until(of, now_s), logs(of, now_s), now_s=now_s)

    assert replace(last, situation=None) == replace(at_once, situation=None)


def test_a_swap_logged_late_is_learned_anew() -> None:
    """A log that turns up later gives what an early one would have given."""
    of = played(6)
    now_s = (DAYS - 0.1) * 86_400.0
    bins, known = bins_until(of, now_s), logs(of, now_s)
    mind = learning(of)
    make_forecast(mind, bins, known[:1] + known[2:], now_s=now_s)

    again = make_forecast(mind, bins, known, now_s=now_s)

    fresh = make_forecast(learning(of), bins, known, now_s=now_s)
    assert replace(again, situation=None) == replace(fresh, situation=None)


def test_a_swap_that_nobody_logged_is_seen_and_asked_about() -> None:
    """The reservoir's fall begins the set; the forecast says that it supposes."""
    of = played(6)
    last = of.cycles[-1]
    now_s = last.swapped_s + 3 * HOUR_S
    known = [log for log in logs(of, now_s) if log.at_s < last.swapped_s - 600.0]

    forecast = make_forecast(learning(of), bins_until(of, now_s), known, now_s=now_s)

    assert forecast.situation is not None
    assert abs(forecast.situation.swap.at_s - last.swapped_s) <= 600.0
    assert any("nobody logged" in note for note in forecast.notes)
    logged = make_forecast(learning(of), bins_until(of, now_s), logs(of, now_s), now_s=now_s)
    assert logged.situation is not None
    assert logged.situation.swap.packs is not None
    assert _sd_frozen(forecast.situation) > 2.0 * _sd_frozen(logged.situation)


def _sd_frozen(situation: Situation) -> float:
    return math.sqrt(situation.fitted.belief.covariance[FROZEN][FROZEN])


def test_nothing_is_reported_from_nothing() -> None:
    """No records, no swap, or records that end long ago: unknown, and why."""
    of = played(6)
    now_s = of.cycles[0].swapped_s - 600.0

    def forecast_at(bins: list[Bin], at_s: float) -> Forecast:
        return make_forecast(learning(of), bins, [], now_s=at_s)

    for forecast in (forecast_at([], now_s), forecast_at(bins_until(of, now_s), now_s),
                     forecast_at(bins_until(of, now_s), now_s + 8 * HOUR_S)):  # fmt: skip
        assert forecast.basis == "unknown"
        assert forecast.due_s is None
        assert forecast.notes


def test_a_lost_reservoir_probe_is_reckoned_on() -> None:
    """Two hours without it: still a forecast, near the one with it, and it says so."""
    of = played(6)
    cycle = next(each for each in of.cycles[2:] if each.due_s and each.ended_s == each.ended_s)
    assert cycle.due_s is not None
    now_s = max(cycle.due_s - 3 * HOUR_S, cycle.swapped_s + 2.5 * HOUR_S)
    blind = [
        sample._replace(water_c=None) if sample.at_s > now_s - 2 * HOUR_S else sample
        for sample in of.samples
    ]

    with_it = make_forecast(learning(of), bins_until(of, now_s), logs(of, now_s), now_s=now_s)
    without = make_forecast(
        learning(of), list(bins_of(blind, until_s=now_s)), logs(of, now_s), now_s=now_s
    )

    assert any("reservoir probe is lost" in note for note in without.notes)
    assert with_it.due_s is not None
    assert without.due_s is not None
    assert abs(with_it.due_s - without.due_s) < 1.5 * HOUR_S


def test_air_that_stays_too_warm_is_due_now() -> None:
    """Once the cold has run out the forecast says since when, and nothing of the future."""
    of = played(6)
    cycle = next(each for each in of.cycles[1:] if each.due_s and each.ended_s
                 and each.ended_s > each.due_s + 2400.0)  # fmt: skip
    assert cycle.due_s is not None
    now_s = cycle.due_s + 2100.0

    forecast = make_forecast(learning(of), bins_until(of, now_s), logs(of, now_s), now_s=now_s)

    assert forecast.due_s is not None
    assert forecast.due_s <= now_s + 600.0
    assert forecast.reserve_kj == pytest.approx(0.0, abs=60.0)


def plan_of(of: PlayedChamber, habits: Habits) -> tuple[Forecast, SwapPlan]:
    cycle = of.cycles[3]
    now_s = cycle.swapped_s + 2 * HOUR_S
    known = logs(of, now_s)
    forecast = make_forecast(learning(of), bins_until(of, now_s), known, now_s=now_s)
    return forecast, plan_swaps(forecast, known, habits, hour_at=hour_at)


def plan_at(of: PlayedChamber, habits: Habits) -> tuple[Forecast, list[float], list[int], bool]:
    forecast, plan = plan_of(of, habits)
    return (
        forecast,
        [swap.at_s for swap in plan.swaps],
        [swap.packs for swap in plan.swaps],
        plan.short,
    )


def test_the_plan_goes_by_waking_hours_and_the_freezer() -> None:
    """With packs enough: full sets, in time, never while people sleep."""
    of = played(6)
    full = of.drawn.spec.packs.in_reservoir
    habits = Habits(
        wakes_h=7.0,
        sleeps_h=23.0,
        packs=20 * full,
        packs_in_set=full,
        freezer=FreezerPace(refreeze_s=12 * HOUR_S, pack_s=0.0),
    )

    forecast, at_s, packs, short = plan_at(of, habits)

    assert not short
    assert at_s
    assert forecast.early_s is not None
    assert at_s[0] <= forecast.early_s
    assert all(habits.awake(hour_at(each)) for each in at_s)
    assert set(packs) == {full}
    assert at_s == sorted(at_s)


def test_the_plan_says_when_the_freezer_cannot_keep_up() -> None:
    """One set in a freezer that takes two days is not enough."""
    of = played(6)
    full = of.drawn.spec.packs.in_reservoir
    habits = Habits(
        wakes_h=7.0,
        sleeps_h=23.0,
        packs=2 * full,
        packs_in_set=full,
        freezer=FreezerPace(refreeze_s=48 * HOUR_S, pack_s=0.0),
    )

    _, _, packs, short = plan_at(of, habits)

    assert short
    assert all(each <= full for each in packs)


def grower(*, sets: float, refreeze_h: float, number: int = 6) -> Habits:
    full = played(number).drawn.spec.packs.in_reservoir
    return Habits(
        wakes_h=7.0,
        sleeps_h=23.0,
        packs=round(sets * full),
        packs_in_set=full,
        freezer=FreezerPace(refreeze_s=refreeze_h * HOUR_S, pack_s=0.0),
    )


def test_a_shortage_says_how_many_packs_would_hold_the_band() -> None:
    """So many more, and the plan with them holds; one less, and it does not."""
    forecast, plan = plan_of(played(1), grower(sets=2, refreeze_h=20, number=1))

    short = plan.shortage
    assert plan.short
    assert short is not None
    assert short.peak_k > 0.5
    assert forecast.early_s is not None
    assert short.from_s > forecast.early_s - HOUR_S
    assert short.packs is not None
    assert not short.freeze_now  # what goes in now comes too late
    full = played(1).drawn.spec.packs.in_reservoir
    for more, holds in ((short.packs, True), (short.packs - 1, False)):
        _, other = plan_of(played(1), grower(sets=2 + more / full, refreeze_h=20, number=1))
        assert (other.too_warm_k_h <= SHORT_K_H) is holds


@pytest.mark.parametrize("warmer_k", [3.0, 6.0])
def test_the_plan_is_chosen_for_the_weather_that_is_forecast(warmer_k: float) -> None:
    """A house that the weather warms is planned for like one that is as warm by itself."""
    of, habits = played(6), grower(sets=3, refreeze_h=14)
    forecast, _ = plan_of(of, habits)
    situation = forecast.situation
    assert situation is not None
    room = situation.room
    mean_c, *waves = room.wave
    weather = replace(room, weather_k=lambda ahead_s: warmer_k if ahead_s > 0.0 else 0.0)
    usual = replace(room, wave=[mean_c + room.off_k + warmer_k, *waves], off_k=0.0)
    assert usual.ahead_c(15.0, 7200.0) == pytest.approx(weather.ahead_c(15.0, 7200.0))

    by_weather, by_usual = (
        plan_swaps(
            replace(forecast, situation=replace(situation, room=each)),
            logs(of, forecast.as_of_s),
            habits,
            hour_at=hour_at,
        )
        for each in (weather, usual)
    )

    assert [swap.at_s for swap in by_weather.swaps] == [swap.at_s for swap in by_usual.swaps]
    assert by_weather.too_warm_k_h == pytest.approx(by_usual.too_warm_k_h)


@pytest.mark.parametrize("number", [1, 6])
def test_where_packs_suffice_nothing_is_short(number: int) -> None:
    """No shortage, and next to no degree-hours."""
    _, plan = plan_of(played(number), grower(sets=6, refreeze_h=10, number=number))

    assert plan.shortage is None
    assert plan.too_warm_k_h <= SHORT_K_H


def test_air_that_overshoots_while_it_cycles_is_no_lack_of_packs() -> None:
    """A mean 0.2 K over cut-in is 10 K·h in two days, and packs change nothing of it.

    So drawn chamber 4 is, where pauses are long and air climbs quickly: its plan is that of air
    which stays below cut-in, and whole sets wait until they are frozen.
    """
    of, habits = played(1), grower(sets=6, refreeze_h=10, number=1)
    forecast, usual = plan_of(of, habits)
    situation = forecast.situation
    assert situation is not None
    cut_in_c, cut_out_c = of.drawn.band.at(hour_at(forecast.as_of_s))
    over_k = cut_in_c - cut_out_c + 0.2
    start = replace(situation.start, over_cut_out_k=2.0 * over_k, usually_over_k=over_k)

    plan = plan_swaps(
        replace(forecast, situation=replace(situation, start=start)),
        logs(of, forecast.as_of_s),
        habits,
        hour_at=hour_at,
    )

    assert plan.shortage is None
    assert plan.too_warm_k_h <= SHORT_K_H
    assert {swap.packs for swap in plan.swaps} == {habits.packs_in_set}
    assert abs(len(plan.swaps) - len(usual.swaps)) <= 1


def test_a_stock_of_frozen_packs_makes_no_work() -> None:
    """A set is not changed while it holds half of its cold, be the next one frozen or not.

    In this chamber a day that comes hotter is worth changing early, by 3 K or by 12; sets of it
    last some eight hours by day. Without a floor packs that lie frozen go in each hour.
    """
    of, habits = played(2), grower(sets=6, refreeze_h=10, number=2)
    _, plan = plan_of(of, habits)

    assert any("as soon as they are frozen" in swap.why for swap in plan.swaps)
    gaps_s = [b.at_s - a.at_s for a, b in pairwise(plan.swaps)]
    assert min(gaps_s) > 2.5 * HOUR_S
    assert plan.too_warm_k_h <= SHORT_K_H


def test_a_slower_freezer_never_helps() -> None:
    """Degree-hours grow with the time that packs need, whole hours at a time."""
    lost = [
        plan_of(played(6), grower(sets=2, refreeze_h=hours))[1].too_warm_k_h
        for hours in (8, 16, 32, 64)
    ]

    assert all(after >= before - 0.3 for before, after in pairwise(lost))
    assert lost[-1] > lost[0] + 1.0


def test_half_frozen_packs_go_in_where_waiting_would_cost_more() -> None:
    """They count for what of them is frozen: warmer than with whole ones, better than none."""
    start = Water(10.0, (Group(1.0, 1.0, 1.0, None),))

    half = changed(start, 4, 0.5, 4)
    whole = changed(start, 4, 1.0, 4)

    assert half.groups[0].frozen == pytest.approx(0.5 * FROZEN_MEAN)
    assert whole.groups[0].frozen is None
    freezer = frozen_queue(0, FreezerPace(refreeze_s=10 * HOUR_S, pack_s=0.0)).put(4, 0.0)
    habits = grower(sets=2, refreeze_h=10)
    asked = 6 * HOUR_S
    at_s, packs, lacking = possible_visit(
        asked, freezer, habits, lambda _: 12.0, Policy(half_frozen=True)
    )
    assert (at_s, packs) == (asked, min(4, habits.packs_in_set))
    assert "half frozen" in lacking
    at_s, _, _ = possible_visit(asked, freezer, habits, lambda _: 12.0, Policy())
    assert at_s == 10 * HOUR_S


def test_samples_are_what_the_probes_showed() -> None:
    """The forecast's samples come in sixteenths of a kelvin: nothing better leaked in."""
    sample: RecordedSample = played(6).samples[100]

    assert sample.air_c is not None
    assert sample.air_c * 16.0 == round(sample.air_c * 16.0)
