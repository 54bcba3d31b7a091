"""Hot days agree with a rehearsal of the same days, and answer to what is changed."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import time
from itertools import pairwise

import pytest

from controller.core.law import Band
from controller.errors import ScenarioError
from controller.rehearsal.hot_day_counter import DAY_S, Border, GivenUpError, HotDayCounter
from controller.rehearsal.hot_days import ALWAYS_THERE, hot_days
from controller.rehearsal.plants import Account
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.tally import HOUR_S, Excess, TrueCourses
from controller.rehearsal.trace_row import TraceRow
from controller.settings.law_of import BandSchedule
from controller.settings.load import read_settings
from controller.settings.scenario_file import GrowerScript, ScenarioFile
from controller.settings.shipped import shipped_config
from controller.thermal.probe import Course

SETTINGS = read_settings(shipped_config("larkmoor-laptop.toml"))
NOBODY = GrowerScript(wakes=time(8), sleeps=time(20), answers=())
HABIT = GrowerScript(
    wakes=time(6, 30), sleeps=time(22, 30), swaps_at=(time(7, 15), time(18, 30)), answers=()
)


def test_the_same_days_give_the_same_figures_as_a_rehearsal() -> None:
    """Counted from the first instant, every figure that both have is the same."""
    scenario = ScenarioFile(about="", days=1.0, starts=time(0), grower=HABIT)
    whole = Rehearsal(SETTINGS, scenario)
    whole.run()
    account = whole.chamber.account()

    days = hot_days(SETTINGS, days=1.0, settling_days=0.0, grower=HABIT)

    tally = whole.tally
    assert days.days == pytest.approx(1.0)
    assert days.in_band_share == pytest.approx(tally.in_band_share, abs=1e-9)
    assert days.degree_hours_above == pytest.approx(tally.degree_hours_above)
    assert days.degree_hours_below == pytest.approx(tally.degree_hours_below)
    assert (days.air_min_c, days.air_max_c) == (tally.air_c.least, tally.air_c.greatest)
    assert days.starts == tally.starts
    assert days.duty == pytest.approx(tally.duty)
    assert days.packs_used == whole.packs_used
    assert days.ice_melted_kg == pytest.approx(account.ice_melted_kg)
    assert days.heat_removed_kj == pytest.approx(account.heat_removed_kj)


def test_days_before_the_counted_ones_are_left_out() -> None:
    """The first hours bring the chamber down from the room; a day later nothing shows of them."""
    first = hot_days(SETTINGS, days=1.0, settling_days=0.0, swap_at_c=12.0)
    later = hot_days(SETTINGS, days=1.0, settling_days=1.0, swap_at_c=12.0)

    assert first.degree_hours_above > later.degree_hours_above
    assert later.days == pytest.approx(1.0)
    assert [cycle.hour for cycle in later.cycles] == list(range(24))
    assert all(0.0 <= one.put_in_h < 24.0 for one in later.sets)


def test_a_person_who_is_always_there_changes_packs_when_the_water_is_warm() -> None:
    """Each set goes out when the water has reached the temperature, never before."""
    days = hot_days(SETTINGS, days=2.0, swap_at_c=12.0)

    assert 12.0 <= days.reservoir_max_c < 12.5
    assert days.packs_used == sum(one.packs for one in days.sets)
    lived = [one.lasted_h for one in days.sets[:-1]]
    assert lived
    assert all(hours is not None and hours > 5.0 for hours in lived)
    assert days.sets[-1].lasted_h is None


def test_a_changed_build_changes_the_days() -> None:
    """Half the wall: less heat. A band 2 K higher: less too. Nobody there: too warm."""
    plant = SETTINGS.plant_spec()
    thicker = replace(plant, chamber=replace(plant.chamber, wall_u_w_m2k=0.25, wall=None))
    higher = BandSchedule(Band(19_000, 17_500), None, time(0), time(0))

    as_it_is = hot_days(SETTINGS, days=1.0, swap_at_c=12.0)
    walls = hot_days(SETTINGS, plant=thicker, days=1.0, swap_at_c=12.0)
    band = hot_days(SETTINGS, schedule=higher, days=1.0, swap_at_c=12.0)
    nobody = hot_days(SETTINGS, days=1.0)

    # heat and not ice: what has melted within a day depends on when sets went in
    assert as_it_is.heat_removed_kj is not None
    for other in (walls, band):
        assert other.heat_removed_kj is not None
        assert other.heat_removed_kj < 0.95 * as_it_is.heat_removed_kj
    assert nobody.packs_used == 0
    assert nobody.in_band_share < 0.8 < as_it_is.in_band_share


def test_a_set_that_is_left_in_says_when_it_stopped_serving() -> None:
    """One swap, forgotten the day after: the water warms past use before the days end."""
    once = HABIT.model_copy(update={"swaps_at": (time(7, 15),), "forgets": (31.25 * 3600.0,)})

    days = hot_days(SETTINGS, days=2.0, settling_days=0.0, grower=once, warmer_by_k=3.0)

    (one,) = days.sets
    assert one.lasted_h is None
    assert one.useful_h is not None
    assert 4.0 < one.useful_h < 40.0


@pytest.mark.parametrize(("days", "settling"), [(0.0, 1.0), (1.0, -1.0), (float("nan"), 0.0)])
def test_no_days_are_refused(days: float, settling: float) -> None:
    """Nothing to count is a mistake of the caller."""
    with pytest.raises(ScenarioError, match="hot days"):
        hot_days(SETTINGS, days=days, settling_days=settling)


def test_days_of_which_a_picture_is_made_are_the_same_days() -> None:
    """Rows are read off, they change nothing: the picture and the figures are of one run."""
    plain = hot_days(SETTINGS, days=1.0, settling_days=0.5, grower=HABIT, swap_at_c=11.0)
    rows: list[TraceRow] = []

    traced = hot_days(
        SETTINGS, days=1.0, settling_days=0.5, grower=HABIT, swap_at_c=11.0, trace=rows.append
    )

    assert traced == plain
    steps_s = {(b.time - a.time).total_seconds() for a, b in pairwise(rows)}
    assert steps_s == {295.0, 300.0}  # the first row is that of the first tick
    assert (rows[-1].time - rows[0].time).total_seconds() == 1.5 * 86_400 - 5.0


def test_days_that_are_not_wanted_end_early_and_others_are_as_without_a_limit() -> None:
    whole = hot_days(SETTINGS, days=1.0, settling_days=0.5, swap_at_c=20.0, warmer_by_k=4.0)
    assert whole.degree_hours_above > 0.1
    out_h = (1.0 - whole.in_band_share) * 24.0
    assert out_h > 0.1

    wanted = hot_days(
        SETTINGS, days=1.0, settling_days=0.5, swap_at_c=20.0, warmer_by_k=4.0,
        most_out_h=out_h + 1e-6, most_above_k_h=whole.degree_hours_above + 1e-6,
    )  # fmt: skip

    assert wanted == whole
    for unwanted in (
        {"most_above_k_h": 0.9 * whole.degree_hours_above},
        {"most_out_h": out_h - 1e-6},
    ):
        with pytest.raises(GivenUpError):
            hot_days(
                SETTINGS,
                days=1.0,
                settling_days=0.5,
                swap_at_c=20.0,
                warmer_by_k=4.0,
                **unwanted,
            )


def test_days_that_repeat_are_rehearsed_once() -> None:
    """Figures of ten days from two or three of them, as if all had been rehearsed."""
    habit = GrowerScript(wakes=time(6, 30), sleeps=time(22, 30), swaps_at=(time(22, 15),))
    whole = hot_days(SETTINGS, days=10.0, grower=habit, swap_at_c=12.0)

    short = hot_days(SETTINGS, days=10.0, grower=habit, swap_at_c=12.0, until_repeated=True)

    assert short.rehearsed_days == 1.0  # it repeats the day before the counted ones
    assert whole.rehearsed_days == pytest.approx(10.0)
    assert short.days == pytest.approx(whole.days)
    assert len(short.in_band_by_day) == len(whole.in_band_by_day) == 10
    assert short.in_band_share == pytest.approx(whole.in_band_share, abs=0.005)
    assert short.packs_used == whole.packs_used
    assert [one.packs for one in short.sets] == [one.packs for one in whole.sets]
    for one, other in zip(short.sets, whole.sets, strict=True):
        assert one.put_in_h == pytest.approx(other.put_in_h, abs=0.5)
        assert one.lasted_h == pytest.approx(other.lasted_h, abs=0.5)
    for figure, within in (
        ("duty", 0.03), ("starts", 0.03), ("ice_melted_kg", 0.03), ("heat_removed_kj", 0.03),
        ("air_mean_c", 0.01), ("reservoir_mean_c", 0.03), ("degree_hours_above", 0.15),
        ("degree_hours_below", 0.15),
    ):  # fmt: skip
        assert getattr(short, figure) == pytest.approx(getattr(whole, figure), rel=within), figure


@pytest.mark.parametrize(
    ("warm_hours", "repeats"),
    [
        pytest.param(range(0), True, id="two-days-in-band"),
        pytest.param(range(1), True, id="cooled-down-in-the-first-hour"),
        pytest.param(range(1, 2), False, id="too-warm-in-the-second-hour"),
        pytest.param(range(5, 9), False, id="too-warm-in-the-morning"),
    ],
)
def test_the_day_before_the_counted_ones_may_be_the_one_that_repeats(
    warm_hours: range, repeats: bool
) -> None:
    """Only what a chamber that begins warm needs to be cooled down is no difference of two days."""
    counter = counter_of()

    for hour in range(48):
        if hour == 24:
            assert counter.reached(NOTHING_DONE, 4.0) == 2 * DAY_S
        pass_an_hour(counter, warm_s=HOUR_S if hour in warm_hours else 0.0)

    assert (counter.reached(NOTHING_DONE, 4.0) is None) is repeats


NOTHING_DONE = Account(ice_melted_kg=0.0, heat_removed_kj=0.0, energy_balance_error=None)


def counter_of(border: Border | None = None) -> HotDayCounter:
    """Return a counter of ten days after one, which end once they repeat each other."""
    return HotDayCounter(
        from_s=DAY_S,
        days=10.0,
        until_repeated=True,
        until_steady=False,
        border=border,
        margin_k=2.0,
        most_out_s=math.inf,
        most_above_ks=math.inf,
    )


def pass_an_hour(counter: HotDayCounter, *, warm_s: float) -> None:
    """Let the counter take an hour at rest, so much of it too warm [s]."""
    still = Course(HOUR_S, 16.0, 16.0, 16.0)
    ends = (16.0, 16.0)
    excess = Excess(warm_s=warm_s)
    counter.passed(TrueCourses(still, still, ends, ends, excess, False, Band(17_000, 15_500)))


@pytest.mark.parametrize(
    ("in_band", "border", "days"),
    [
        pytest.param(0.958, None, 1, id="nothing-hangs-on-it"),
        pytest.param(0.954, Border(0.96, 0.005), 1, id="far-enough"),
        pytest.param(0.9578, Border(0.96, 0.005), 6, id="below"),
        pytest.param(0.9622, Border(0.96, 0.005), 6, id="above"),
        pytest.param(0.9601, Border(0.96, 0.005), 10, id="on-the-border"),
    ],
)
def test_near_a_border_more_days_are_rehearsed(
    in_band: float, border: Border | None, days: int
) -> None:
    """Until what is left, each day off by as much as repeated days may be, decides nothing."""
    counter = counter_of(border)
    rehearsed = -1
    go_on: float | None = 0.0

    while go_on is not None and rehearsed < 10:
        for _ in range(24):
            pass_an_hour(counter, warm_s=(1.0 - in_band) * HOUR_S)
        go_on = counter.reached(NOTHING_DONE, 4.0)
        rehearsed += 1

    counted = counter.result(account=NOTHING_DONE, alarms=())
    assert rehearsed == days
    assert counted.rehearsed_days == pytest.approx(days)
    assert counted.days == pytest.approx(10.0)
    assert counted.in_band_share == pytest.approx(in_band)


def test_a_stock_that_runs_down_is_rehearsed_to_its_end() -> None:
    """Two days on which packs and air are the same do not repeat while the freezer empties."""
    spec = SETTINGS.plant_spec()
    stock = replace(
        spec,
        packs=replace(spec.packs, count=40),
        freezer=replace(spec.freezer, kg_per_day=3.0),
    )
    habit = GrowerScript(wakes=time(0), sleeps=time(0), swaps_at=(time(7), time(19)))

    days = hot_days(SETTINGS, plant=stock, days=10.0, grower=habit, until_repeated=True)

    assert days.in_band_by_day[0] > 0.9
    assert days.in_band_by_day[-1] < days.in_band_by_day[0] - 0.3
    assert days.rehearsed_days > 5.0


def test_days_that_are_lost_are_not_rehearsed_to_the_end() -> None:
    """Nobody changes packs in a hot room: the fifth day is as lost as the second."""
    whole = hot_days(SETTINGS, days=5.0, warmer_by_k=8.0, grower=NOBODY)
    assert whole.in_band_share < 0.1

    short = hot_days(SETTINGS, days=5.0, warmer_by_k=8.0, grower=NOBODY, until_repeated=True)

    assert short.rehearsed_days == pytest.approx(1.0)
    assert short.days == pytest.approx(5.0)
    assert short.in_band_share == pytest.approx(whole.in_band_share, abs=0.02)
    assert len(short.in_band_by_day) == 5


def test_a_lost_day_that_leaves_more_frozen_packs_is_not_the_last_word() -> None:
    """Packs that freeze for two days and a half: the first of them come on the second day."""
    spec = SETTINGS.plant_spec()
    plant = replace(spec, packs=replace(spec.packs, count=24, refreeze_h=100.0))
    nothing_yet = ALWAYS_THERE.model_copy(update={"packs_ready": 0})

    days = hot_days(
        SETTINGS,
        plant=plant,
        days=4.0,
        warmer_by_k=4.0,
        grower=nothing_yet,
        swap_at_c=10.0,
        until_repeated=True,
    )

    assert days.in_band_by_day[0] < 0.005
    assert days.rehearsed_days > 1.0
    assert days.in_band_by_day[1] > 0.1


def test_a_lost_day_alone_ends_nothing() -> None:
    """A day on which the chamber is still being cooled down is no proof."""
    days = hot_days(SETTINGS, days=4.0, settling_days=0.0, swap_at_c=12.0, until_repeated=True)

    assert days.in_band_share > 0.9
