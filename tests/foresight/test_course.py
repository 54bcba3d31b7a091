"""A set of packs from its swap on: what drove the water, what went in, and when it was spent."""

from __future__ import annotations

import pytest

from controller.foresight.band import HeldBand
from controller.foresight.bins import BIN_S, Bin, line_to
from controller.foresight.course import (
    HELD_BINS,
    course_of,
    due_seen,
    duty_known,
    groups_after,
    steps_of,
)
from controller.foresight.swaps import Swap
from controller.foresight.water_side import Group, WaterDrive

BAND = HeldBand(
    cut_in_c=17.0, cut_out_c=15.5, night_cut_in_c=14.0, night_cut_out_c=13.0, night_from_h=22.0,
    night_to_h=6.0,
)  # fmt: skip


def noon(_at_s: float) -> float:
    return 12.0


def bins(*rows: tuple[float | None, float | None, float | None], low_k: float = 0.0) -> list[Bin]:
    """Return bins of air, water and duty, one after the other; the room is not measured."""
    return [
        Bin(index * BIN_S, air, water, None, duty, None if air is None else air - low_k)
        for index, (air, water, duty) in enumerate(rows)
    ]


def test_the_band_of_the_night_holds_from_its_first_hour_to_its_last() -> None:
    """And nobody's but the day's where no night is named."""
    assert BAND.at(21.9) == BAND.at(6.0) == (17.0, 15.5)
    assert BAND.at(22.0) == BAND.at(29.9) == (14.0, 13.0)
    assert BAND.middle_c(12.0) == 16.25
    assert HeldBand(cut_in_c=17.0, cut_out_c=15.5).at(23.0) == (17.0, 15.5)


def test_holes_are_filled_by_what_was_before_them() -> None:
    """Air holds, the coil works as in the two hours before, the room keeps off its usual day."""
    rows: list[Bin] = [Bin(0.0, 16.0, 4.0, 23.0, 0.2), Bin(BIN_S, 17.0, 4.0, None, 0.6)]
    rows += [Bin(2 * BIN_S, None, None, None, None)]

    steps = steps_of(rows, usual_room_c=lambda at_s: 20.0 + at_s / BIN_S)

    assert steps == [
        WaterDrive(0.2, 16.0, 23.0),
        WaterDrive(0.6, 17.0, 24.0),  # three above the usual one, which rises
        WaterDrive(pytest.approx(0.4), 17.0, 25.0),  # type: ignore[arg-type]
    ]


def test_only_the_last_two_hours_say_how_the_coil_works() -> None:
    """What was before them is forgotten; where nothing was recorded, it rests."""
    rows = bins(*[(16.0, 4.0, 1.0)] * 3, *[(16.0, 4.0, 0.5)] * HELD_BINS, (16.0, 4.0, None))

    assert HELD_BINS * BIN_S == 7200.0
    assert steps_of(rows, usual_room_c=noon)[-1].duty == 0.5
    assert steps_of(rows[-1:], usual_room_c=noon)[0].duty == 0.0


def test_air_and_room_before_the_first_reading_are_those_of_the_first_and_the_usual() -> None:
    """Nothing better is known."""
    rows = bins((None, None, 0.1), (16.5, None, 0.1))

    assert [step.air_c for step in steps_of(rows, usual_room_c=noon)] == [16.5, 16.5]
    assert [step.room_c for step in steps_of(rows, usual_room_c=noon)] == [12.0, 12.0]


def test_a_course_begins_with_the_first_water_that_was_seen() -> None:
    """And keeps what was seen, holes included."""
    rows = bins((16.0, None, 0.5), (16.0, 5.0, 0.5))

    course = course_of(rows, (Group(1.0, 0.0, None),), usual_room_c=noon)

    assert course.start.water_c == 5.0
    assert course.start.groups == (Group(1.0, 0.0, None),)
    assert list(course.seen_c) == [None, 5.0]
    assert len(course.steps) == 2


def swap(packs: int | None) -> Swap:
    return Swap(at_s=0.0, packs=packs)


FRESH = Group(1.0, 0.0, None)
OLD = (Group(0.5, 0.9, 0.95), Group(0.5, 0.2, None))


@pytest.mark.parametrize("packs", [None, 4, 6])
def test_a_whole_set_replaces_all(packs: int | None) -> None:
    """Where nobody logged how many, a whole set is supposed."""
    assert groups_after(swap(packs), OLD, 4) == (FRESH,)


def test_of_a_part_of_a_set_the_most_spent_packs_went_out() -> None:
    """One of four: what is least melted stays whole, and a quarter of the most spent."""
    fresh, first, second = groups_after(swap(1), OLD, 4)

    assert (fresh.share, fresh.melted, fresh.frozen) == (0.25, 0.0, None)
    assert (first.share, first.melted, first.frozen) == (0.5, 0.2, 1.0)  # the fit is over: whole
    assert (second.share, second.melted, second.frozen) == (0.25, 0.9, 0.95)


def test_packs_that_nobody_knows_of_count_as_spent() -> None:
    """Half a set before the first recorded swap."""
    fresh, unknown = groups_after(swap(2), (), 4)

    assert fresh.share == 0.5
    assert unknown == Group(0.5, 1.0, 1.0, None)
    # nothing is left over of what was exactly there
    assert len(groups_after(swap(2), (Group(0.5, 0.3, 0.9),), 4)) == 2


def test_half_of_what_was_recorded_must_say_how_the_coil_worked() -> None:
    """Bins of silence do not count against it."""
    silence = (None, None, None)
    half = bins((16.0, 4.0, 0.5), (16.0, None, None), silence, silence)
    less = bins((16.0, 4.0, 0.5), (16.0, None, None), (None, 4.0, None))

    assert duty_known(half)
    assert not duty_known(less)


IN_BAND, HOT = (16.0, 4.0, 0.5), (17.6, 4.0, 0.95)


def crossed(first_warm: int, under_k: float, over_k: float) -> object:
    """Return when the line from the middle of the bin before to that of a warm one crossed [s]."""
    return pytest.approx(BIN_S * (first_warm - 0.5 + under_k / (under_k + over_k)))


def test_the_cold_had_run_out_once_the_air_was_too_warm_for_twenty_minutes() -> None:
    """From the first of them; source of the limit: half a kelvin above cut-in, our own choice."""
    spent = bins(IN_BAND, HOT, IN_BAND, HOT, HOT, HOT, HOT)
    short = bins(IN_BAND, HOT, HOT, HOT, IN_BAND)

    assert due_seen(spent, BAND, noon) == crossed(3, 1.5, 0.1)
    assert due_seen(short, BAND, noon) is None


def test_readings_that_dip_below_the_limit_do_not_put_off_the_end() -> None:
    """Air that rises 0.04 K a bin through 17.5 °C, coldest reading 0.12 K lower: noise.

    Twenty minutes of every reading above begin at 17.66 °C, four bins after the mean has crossed.
    Where the pump came and went then, the air may have swung, and those bins do not count.
    """
    rising: list[tuple[float, float, float]] = [(16.9, 4.0, 1.0)]
    rising += [(17.46 + 0.04 * k, 4.0, 1.0) for k in range(10)]
    swinging = [*rising[:4], (17.58, 4.0, 0.8), *rising[5:]]

    assert due_seen(bins(*rising, low_k=0.12), BAND, noon) == BIN_S * 2.5
    assert due_seen(bins(*swinging, low_k=0.12), BAND, noon) == 5 * BIN_S


def test_a_hole_before_the_twenty_minutes_ends_the_way_back() -> None:
    rows = bins(IN_BAND, HOT, (None, 4.0, 1.0), HOT, HOT, HOT, HOT)

    assert due_seen(rows, BAND, noon) == 3 * BIN_S


def test_air_that_has_not_come_down_yet_says_nothing_of_the_set() -> None:
    """It was too warm before the packs went in."""
    assert due_seen(bins(*[HOT] * 6), BAND, noon) is None
    assert due_seen(bins(*[HOT] * 6, (17.0, 4.0, 1.0), *[HOT] * 4), BAND, noon) == crossed(
        7, 0.5, 0.1
    )


def test_a_lost_air_probe_breaks_the_twenty_minutes() -> None:
    """Nobody knows whether it was warm meanwhile."""
    assert due_seen(bins(IN_BAND, HOT, HOT, (None, 4.0, 1.0), HOT, HOT), BAND, noon) is None


@pytest.mark.parametrize(
    ("row", "due"),
    [
        pytest.param((17.6, 4.0, 0.91), True, id="hard-at-work"),
        pytest.param((17.6, 4.0, 0.9), False, id="the-coil-had-time-left"),
        pytest.param((17.75, 14.75, 0.3), True, id="water-that-is-hardly-of-use"),
        pytest.param((17.75, 14.7, 0.3), False, id="water-that-is-of-use"),
        pytest.param((17.6, None, 0.3), False, id="water-unknown"),
        pytest.param((17.5, 4.0, 1.0), False, id="at-the-limit"),
        pytest.param((17.6, 4.0, None), False, id="duty-unknown"),
    ],
)
def test_the_air_counts_only_while_the_coil_did_what_it_could(
    row: tuple[float, float | None, float | None], due: bool
) -> None:
    """A small chamber swings that far with cold water too."""
    due_s = due_seen(bins(IN_BAND, *[row] * 4), BAND, noon)

    assert due_s == (crossed(1, 1.5, row[0] - 17.5) if due else None)


def test_air_that_dips_below_the_limit_in_each_bin_is_a_cycle() -> None:
    """The coldest reading counts, not the mean."""
    assert due_seen(bins(IN_BAND, *[HOT] * 4, low_k=0.2), BAND, noon) is None


def test_the_band_is_that_of_the_hour() -> None:
    """The night asks for less: what is in band by day is too warm then."""
    rows = bins((13.5, 4.0, 0.5), *[(14.6, 4.0, 1.0)] * 4)

    assert due_seen(rows, BAND, lambda _: 23.0) == crossed(1, 1.0, 0.1)
    assert due_seen(rows, BAND, noon) is None


def test_a_line_through_the_last_bins_ends_now() -> None:
    """Half a bin after the middle of the last one; by least squares, holes left out."""
    assert line_to([9.0, 1.0, 2.0, 3.0], bins=3) == pytest.approx(3.5)
    assert line_to([1.0, None, 3.0, 4.0], bins=6) == pytest.approx(4.5)
    # three points at -2.5, -1.5 and -0.5 bins: slope 0.5, mean 2/3
    assert line_to([0.0, 1.0, 1.0], bins=3) == pytest.approx(2 / 3 + 0.5 * 1.5)
    assert line_to([1.0, 5.0], bins=3) == 5.0
    assert line_to([None, None], bins=3) is None
