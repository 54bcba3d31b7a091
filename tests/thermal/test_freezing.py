"""Freezing times by Plank and freezer capacity, against worked examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import PhysicsError
from controller.thermal import freezing as fz
from controller.thermal.packs import FILLS
from controller.thermal.specs import FreezerSpec, PackSpec, PlantSpec


def test_slab_of_meat() -> None:
    """Geankoplis, example 5.5-2: 63.5 mm of beef at -28.9 °C freezes in 2.394e4 s = 6.65 h."""
    seconds = fz.plank_s(
        thickness_m=0.0635, film_w_m2k=17.0, around_c=244.3 - 273.15, freezing_c=270.4 - 273.15,
        kj_kg=0.75 * 335.0, density_kg_m3=1057.0, frozen_w_mk=1.038,
    )  # fmt: skip

    assert seconds == pytest.approx(2.394e4, rel=0.002)
    assert seconds / 3600.0 == pytest.approx(6.65, rel=0.002)


@pytest.mark.parametrize(
    ("thickness_mm", "film", "hours"),
    [(20, 5, 10.41), (20, 10, 5.26), (20, 20, 2.69), (30, 5, 15.70), (30, 10, 7.98),
     (30, 20, 4.12), (40, 5, 21.05), (40, 10, 10.76), (40, 20, 5.61)],
)  # fmt: skip
def test_water_packs_from_their_freezing_point(
    thickness_mm: float, film: float, hours: float
) -> None:
    """Both faces in -18 °C air, latent heat alone (own evaluation of Plank's equation)."""
    seconds = fz.plank_s(thickness_m=thickness_mm / 1000.0, film_w_m2k=film, around_c=-18.0)

    assert seconds / 3600.0 == pytest.approx(hours, rel=0.003)


def test_a_pack_on_a_shelf_takes_twice_as_long() -> None:
    """One face: twice the film term, four times the depth term: 16.49 h for 30 mm."""
    seconds = fz.plank_s(thickness_m=0.030, film_w_m2k=10.0, around_c=-18.0, one_face=True)

    assert seconds / 3600.0 == pytest.approx(16.49, rel=0.003)


def test_salt_pack_takes_longer_than_water() -> None:
    """KCl eutectic, -10.7 °C, 283 kJ/kg, 1126 kg/m³: 18.81 h in a -18 °C freezer."""
    seconds = fz.plank_s(
        thickness_m=0.030, film_w_m2k=10.0, around_c=-18.0, freezing_c=-10.7, kj_kg=283.0,
        density_kg_m3=1126.0,
    )  # fmt: skip

    assert seconds / 3600.0 == pytest.approx(18.81, rel=0.003)


def test_salt_pack_below_the_freezer_never_freezes() -> None:
    """A -21.1 °C plateau in -18 °C air."""
    assert fz.plank_s(thickness_m=0.03, film_w_m2k=10.0, around_c=-18.0, freezing_c=-21.1) == (
        math.inf
    )
    assert fz.refreeze_h(PackSpec(fill="salt-21")) == math.inf


def test_shapes_freeze_in_the_order_of_their_surface() -> None:
    """Plank's factors: a sphere before a cylinder before a slab of the same thickness."""
    times = [
        fz.plank_s(thickness_m=0.03, film_w_m2k=10.0, around_c=-18.0, shape=shape)
        for shape in ("sphere", "bottle", "slab")
    ]

    assert times[0] * 3 == pytest.approx(times[2])
    assert times[1] * 2 == pytest.approx(times[2])


def test_refreezing_takes_the_sensible_heat_along() -> None:
    """412 kJ/kg instead of 333: 30 mm from 10 °C takes 9.86 h."""
    assert fz.refreeze_h(PackSpec(thickness_mm=30.0)) == pytest.approx(9.86, rel=0.005)


def test_the_growers_own_hours_win() -> None:
    """A measured figure beats any equation."""
    assert fz.refreeze_h(PackSpec(refreeze_h=14.0)) == 14.0


@pytest.mark.parametrize(
    ("diameter_mm", "film", "hours"),
    [(65, 8, 14), (80, 5, 27), (80, 20, 7.5), (90, 8, 19), (108, 20, 11)],
)
def test_bottles_freeze_by_their_diameter(diameter_mm: float, film: float, hours: float) -> None:
    """Plank's cylinder with 412 kJ/kg in -18 °C air (own table of bottles, rounded there)."""
    result = fz.refreeze_h(PackSpec(shape="bottle", thickness_mm=diameter_mm), film_w_m2k=film)

    assert result == pytest.approx(hours, rel=0.05)


@pytest.mark.parametrize(
    ("freezer", "kg_day"),
    [
        pytest.param(FreezerSpec(litres=100.0), 3.5, id="100-litres"),
        pytest.param(FreezerSpec(litres=200.0), 7.0, id="200-litres"),
        pytest.param(FreezerSpec(kg_per_day=12.0), 9.3, id="plate"),
        pytest.param(FreezerSpec(kg_per_day=12.0, litres=50.0), 9.3, id="plate-beats-litres"),
        pytest.param(FreezerSpec(litres=10.0), 1.55, id="never-under-two-kilograms-of-food"),
        pytest.param(FreezerSpec(litres=200.0, food="half"), 5.6, id="half-full"),
        pytest.param(FreezerSpec(litres=200.0, food="full"), 3.5, id="crammed"),
        pytest.param(FreezerSpec(litres=200.0, stars=3), 3.5, id="three-stars"),
        pytest.param(FreezerSpec(litres=20.0, stars=2), 0.5, id="ice-box"),
    ],
)
def test_kilograms_a_freezer_does_in_a_day(freezer: FreezerSpec, kg_day: float) -> None:
    """4.5 kg of food per 100 L (EU definition); packs back at 10 °C are 0.78 of food by heat."""
    assert fz.freezer_kg_per_day(freezer, PackSpec()) == pytest.approx(kg_day, rel=0.01)


def test_the_plate_limits_many_packs_and_plank_limits_few() -> None:
    """4 packs of 1 kg at 7 kg a day: three in 11 h, and 0.21 of the fourth.

    The plate makes 3.21 packs in 11 h; 0.79 of one takes 8.7 h. One alone takes its own time.
    """
    pace = fz.FreezerPace(refreeze_s=11 * 3600.0, pack_s=86_400.0 / 7.0)
    four = fz.FreezerQueue(pace).put(4, 0.0)
    half = fz.FreezerQueue(pace).put(1, 0.0, frozen_share=0.5)

    hours = [ready_s / 3600.0 for ready_s in four.ready_s]
    assert hours == pytest.approx([11.0] * 3 + [19.71], abs=0.01)
    assert half.ready_s == (5.5 * 3600.0,)
    assert half.frozen_shares(2.75 * 3600.0) == pytest.approx((0.75,))


@given(
    packs=st.lists(st.tuples(st.integers(1, 6), st.floats(0, 6)), min_size=1, max_size=20),
    kg_day=st.floats(1, 30),
)
def test_a_freezer_never_beats_its_plate(packs: list[tuple[int, float]], kg_day: float) -> None:
    """However packs go in, no more are ready by any instant than the plate allows."""
    pace = fz.FreezerPace(refreeze_s=3600.0, pack_s=86_400.0 / kg_day)
    queue, at_s = fz.FreezerQueue(pace), 0.0
    for count, later_h in packs:
        at_s += later_h * 3600.0
        queue = queue.put(count, at_s)

    for number, ready_s in enumerate(queue.ready_s, start=1):
        assert number <= ready_s / pace.pack_s + 1e-6


@given(
    visits=st.lists(
        st.tuples(st.integers(0, 6), st.integers(0, 6), st.floats(0, 6)), min_size=1, max_size=20
    ),
    kg_day=st.floats(1, 30),
    alone_h=st.floats(0.1, 20),
)
def test_a_freezer_makes_no_more_cold_than_its_plate(
    visits: list[tuple[int, int, float]], kg_day: float, alone_h: float
) -> None:
    """Nor do packs that are taken out half frozen carry more of it: the balance of its heat."""
    pace = fz.FreezerPace(refreeze_s=alone_h * 3600.0, pack_s=86_400.0 / kg_day)
    queue, at_s, removed = fz.FreezerQueue(pace), 0.0, 0.0
    for put_in, out, later_h in visits:
        queue = queue.put(put_in, at_s)
        at_s += later_h * 3600.0
        shares = queue.frozen_shares(at_s)
        assert removed + sum(shares) <= at_s / pace.pack_s + 1e-6
        removed += sum(shares[:out])
        queue = queue.without(out, at_s)


@given(
    visits=st.lists(
        st.tuples(st.integers(1, 6), st.integers(0, 4), st.floats(0, 6)), min_size=1, max_size=8
    ),
    kg_day=st.floats(1, 30),
    alone_h=st.floats(0.1, 20),
    began_s=st.floats(0, 2e9),
    share=st.floats(0.05, 1.0),
)
def test_a_pack_is_frozen_at_the_very_moment_that_is_given_for_it(
    visits: list[tuple[int, int, float]],
    kg_day: float,
    alone_h: float,
    began_s: float,
    share: float,
) -> None:
    """Whoever comes then finds it so: no sum is short of it by a rounding."""
    pace = fz.FreezerPace(refreeze_s=alone_h * 3600.0, pack_s=86_400.0 / kg_day)
    queue, at_s = fz.FreezerQueue(pace), began_s
    for put_in, out, later_h in visits:
        queue = queue.put(put_in, at_s)
        at_s += later_h * 3600.0
        queue = queue.without(out, at_s)

    for number in range(1, len(queue.shares) + 1):
        assert queue.frozen_shares(queue.frozen_at(number))[number - 1] == 1.0
        then = queue.frozen_shares(queue.frozen_at(number, share))
        assert then[number - 1] >= share - fz.SAME_SHARE


def test_the_freezer_goes_on_with_the_others() -> None:
    """Four packs of two hours each; the second is taken out half frozen after three."""
    pace = fz.FreezerPace(refreeze_s=3600.0, pack_s=7200.0)
    queue = fz.FreezerQueue(pace).put(4, 0.0)

    assert queue.frozen_shares(3 * 3600.0) == pytest.approx((1.0, 0.5, 0.0, 0.0))
    left = queue.without(2, 3 * 3600.0)
    assert left.ready_s == pytest.approx((5 * 3600.0, 7 * 3600.0))


@given(
    visits=st.lists(st.tuples(st.integers(0, 8), st.floats(0, 6)), min_size=1, max_size=20),
    kg_day=st.floats(1, 30),
    alone_h=st.floats(0.1, 20),
)
def test_packs_taken_out_early_cost_the_others_nothing(
    visits: list[tuple[int, float]], kg_day: float, alone_h: float
) -> None:
    """With more packs than it can freeze together a freezer makes what its plate says, no less.

    However often some are taken out, half frozen or not, and put back melted.
    """
    pace = fz.FreezerPace(refreeze_s=alone_h * 3600.0, pack_s=86_400.0 / kg_day)
    enough = math.ceil(pace.refreeze_s / pace.pack_s)
    queue, at_s, removed = fz.FreezerQueue(pace).put(enough + 8 + 200, 0.0), 0.0, 0.0
    for out, later_h in visits:
        at_s += later_h * 3600.0
        removed += sum(queue.frozen_shares(at_s)[:out])
        queue = queue.without(out, at_s).put(out, at_s)

    assert removed + sum(queue.frozen_shares(at_s)) == pytest.approx(at_s / pace.pack_s, abs=1e-6)


def test_packs_put_in_one_by_one_freeze_as_if_put_in_together() -> None:
    pace = fz.FreezerPace(refreeze_s=12 * 3600.0, pack_s=2.4 * 3600.0)
    one_by_one = fz.FreezerQueue(pace)
    for _ in range(8):
        one_by_one = one_by_one.put(1, 0.0)

    assert one_by_one == fz.FreezerQueue(pace).put(8, 0.0)
    # five freeze together, then the other three
    hours = [ready_s / 3600.0 for ready_s in one_by_one.ready_s]
    assert hours == pytest.approx([12.0] * 5 + [24.0] * 3)
    assert one_by_one.frozen_at(6, 0.5) == pytest.approx(18 * 3600.0)


def test_packs_that_come_later_wait_where_the_plate_does_no_more() -> None:
    """Two freeze together in 4 h; two more, put in after 3 h, begin when those are frozen."""
    pace = fz.FreezerPace(refreeze_s=4 * 3600.0, pack_s=2 * 3600.0)
    queue = fz.FreezerQueue(pace).put(2, 0.0).put(2, 3 * 3600.0)

    hours = [ready_s / 3600.0 for ready_s in queue.ready_s]
    assert hours == pytest.approx([4.0, 4.0, 8.0, 8.0])
    assert queue.frozen_shares(5 * 3600.0) == pytest.approx((1.0, 1.0, 0.25, 0.25))


def test_packs_that_never_freeze_never_come_out() -> None:
    """A -21 °C eutectic in -18 °C: not at the start, not ever."""
    pace = fz.freezer_pace(PlantSpec(packs=PackSpec(fill="salt-21")))
    queue = fz.frozen_queue(2, pace).put(2, 0.0)

    assert queue.ready_s == (math.inf,) * 4
    assert queue.frozen_shares(1e9) == (0.0,) * 4


def test_sets_in_rotation() -> None:
    """9.9 h to refreeze, 12.7 h in use: two sets."""
    sets = fz.sets_in_rotation(refreeze_h=9.9, hours_per_set=12.7)

    assert sets == pytest.approx(1.78, abs=0.01)
    assert math.ceil(sets) == 2
    assert fz.sets_in_rotation(refreeze_h=math.inf, hours_per_set=5.0) == math.inf


@given(thickness_mm=st.floats(5, 100), film=st.floats(3, 40), freezer_c=st.floats(-35, -5))
def test_thicker_packs_and_warmer_freezers_take_longer(
    thickness_mm: float, film: float, freezer_c: float
) -> None:
    """Monotonic in everything a grower can change."""
    base = fz.plank_s(thickness_m=thickness_mm / 1e3, film_w_m2k=film, around_c=freezer_c)

    assert fz.plank_s(thickness_m=thickness_mm / 900, film_w_m2k=film, around_c=freezer_c) > base
    assert fz.plank_s(thickness_m=thickness_mm / 1e3, film_w_m2k=film, around_c=freezer_c + 1) > (
        base
    )
    assert fz.plank_s(thickness_m=thickness_mm / 1e3, film_w_m2k=film * 1.1, around_c=freezer_c) < (
        base
    )


@pytest.mark.parametrize(
    "call",
    [
        pytest.param(
            lambda: fz.plank_s(thickness_m=-0.03, film_w_m2k=10, around_c=-18), id="thickness"
        ),
        pytest.param(
            lambda: fz.plank_s(thickness_m=0.03, film_w_m2k=10, around_c=float("nan")), id="nan"
        ),
        pytest.param(
            lambda: fz.plank_s(
                thickness_m=0.03, film_w_m2k=10, around_c=-18, shape="sphere", one_face=True
            ),
            id="face-of-a-sphere",
        ),
        pytest.param(lambda: FreezerSpec(litres=0.0), id="no-freezer"),
        pytest.param(lambda: FreezerSpec(kg_per_day=-1.0), id="plate"),
        pytest.param(lambda: FreezerSpec(stars=5), id="stars"),
        pytest.param(lambda: fz.sets_in_rotation(refreeze_h=5.0, hours_per_set=0.0), id="no-time"),
        pytest.param(
            lambda: fz.freezing_heat_kj_kg(FILLS["salt-11"], from_c=5.0, to_c=-5.0),
            id="not-cold-enough",
        ),
    ],
)
def test_impossible_figures_are_refused(call: object) -> None:
    """Named, never silently used."""
    assert callable(call)
    with pytest.raises(PhysicsError):
        call()
