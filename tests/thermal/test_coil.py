"""The coil, dry and wet, against an independent march along the surface and worked examples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import psychrolib
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from controller.errors import PhysicsError
from controller.thermal import moist_air as ma
from controller.thermal.coil import Coil
from controller.thermal.coil_table import CoilTable
from tests.support.random_inputs import examples

psychrolib.SetUnitSystem(psychrolib.SI)
PA = 101_325.0


@dataclass(frozen=True)
class Marched:
    total_w: float
    sensible_w: float
    air_out_c: float
    condensate_g_h: float


def march(
    *, air_c: float, rh: float, air_kg_s: float, water_c: float, water_kg_s: float,
    ua_air: float, ua_water: float, cells: int = 1500,
) -> Marched:  # fmt: skip
    """March a counterflow coil cell by cell: heat and mass transfer, no enthalpy linearised.

    Written for this test from Threlkeld's balances and psychrolib's properties. Surface:
    UAw·(Ts - Tw) = UAa·(T - Ts) + UAa/cp·hfg·(W - Ws(Ts)) where Ws < W (Lewis number 1). The water
    outlet is found by bisection, as the march starts where the air comes in.
    """
    inlet = psychrolib.GetHumRatioFromRelHum(air_c, rh, PA)
    water_w_k = water_kg_s * 4190.0

    def run(water_out_c: float) -> tuple[float, float, float]:
        t, w, tw = air_c, inlet, water_out_c
        ha, hw = ua_air / cells, ua_water / cells
        for _ in range(cells):
            cp = 1006.0 + 1860.0 * w
            latent = 2501e3 + 1860.0 * t
            ts = (ha * t + hw * tw) / (ha + hw)
            if psychrolib.GetSatHumRatio(ts, PA) < w:
                low, high = min(tw, t), max(tw, t)
                for _ in range(40):
                    ts = 0.5 * (low + high)
                    wet = max(0.0, w - psychrolib.GetSatHumRatio(ts, PA))
                    if ha * (t - ts) + ha / cp * latent * wet > hw * (ts - tw):
                        low = ts
                    else:
                        high = ts
            wet = max(0.0, w - psychrolib.GetSatHumRatio(ts, PA))
            tw -= hw * (ts - tw) / water_w_k
            w -= ha / cp * wet / air_kg_s
            t -= ha * (t - ts) / (air_kg_s * cp)
            surplus = w - psychrolib.GetSatHumRatio(t, PA)
            if surplus > 0.0:  # fog, at the same enthalpy
                steeper = psychrolib.GetSatHumRatio(t + 0.01, PA) - psychrolib.GetSatHumRatio(t, PA)
                fog = surplus / (1.0 + latent / cp * steeper / 0.01)
                w -= fog
                t += latent / cp * fog
        return t, w, tw

    low, high = water_c, air_c
    for _ in range(26):
        middle = 0.5 * (low + high)
        if run(middle)[2] > water_c:
            high = middle
        else:
            low = middle
    t, w, _ = run(0.5 * (low + high))
    h_in = psychrolib.GetMoistAirEnthalpy(air_c, inlet)
    return Marched(
        total_w=air_kg_s * (h_in - psychrolib.GetMoistAirEnthalpy(t, w)),
        sensible_w=air_kg_s * (1006.0 + 1860.0 * inlet) * (air_c - t),
        air_out_c=t,
        condensate_g_h=3.6e6 * air_kg_s * (inlet - w),
    )


def _coil(ua_air: float, ua_water: float, air: float, water: float, *, cross: bool) -> Coil:
    return Coil(
        ua_air_w_k=ua_air,
        ua_water_w_k=ua_water,
        air_kg_s=air,
        water_kg_s=water,
        crossflow=cross,
    )


WET_CASES = [
    # air, rh, air kg/s, water, water kg/s, UA air, UA water | total W, SHR, T out by hand
    pytest.param(17.0, 0.90, 0.015, 4.0, 0.03, 25.0, 150.0, 282.2, 0.4675, 8.43, id="cold-water"),
    pytest.param(17.0, 0.90, 0.015, 10.0, 0.03, 25.0, 150.0, 149.7, 0.4745, 12.39, id="mild-water"),
    pytest.param(20.0, 0.85, 0.02, 5.0, 0.05, 30.0, 200.0, 428.3, 0.4595, 10.44, id="warm-room"),
    pytest.param(27.0, 0.50, 0.02, 7.0, 0.05, 30.0, 200.0, 421.6, 0.6544, 13.56, id="dry-room"),
]


@pytest.mark.parametrize(
    ("air_c", "rh", "air", "water_c", "water", "ua_air", "ua_water", "total_w", "shr", "out_c"),
    WET_CASES,
)
def test_wet_coil_against_the_hand_calculation_and_the_march(
    air_c: float, rh: float, air: float, water_c: float, water: float, ua_air: float,
    ua_water: float, total_w: float, shr: float, out_c: float,
) -> None:  # fmt: skip
    """Within 1 % of the enthalpy-potential method by hand, and of the march written above.

    By hand the straight line may pass saturation, the march lets the surplus fall out as fog: the
    coldest outlet is 0.07 K warmer for it.
    """
    coil = _coil(ua_air, ua_water, air, water, cross=False)
    duty = coil.take(air_c=air_c, ratio=ma.humidity_ratio(air_c=air_c, rh=rh), water_c=water_c)
    marched = march(
        air_c=air_c, rh=rh, air_kg_s=air, water_c=water_c, water_kg_s=water, ua_air=ua_air,
        ua_water=ua_water, cells=400,
    )  # fmt: skip

    assert duty.wet_share == 1.0
    assert 1000.0 * duty.total_kw == pytest.approx(total_w, rel=0.005)
    assert duty.sensible_kw / duty.total_kw == pytest.approx(shr, rel=0.01)
    assert duty.air_out_c == pytest.approx(out_c, abs=0.08)
    assert 1000.0 * duty.total_kw == pytest.approx(marched.total_w, rel=0.01)
    assert 1000.0 * duty.sensible_kw == pytest.approx(marched.sensible_w, rel=0.01)
    assert duty.air_out_c == pytest.approx(marched.air_out_c, abs=0.1)
    assert 3.6e6 * duty.condensate_kg_s == pytest.approx(marched.condensate_g_h, rel=0.015)


@pytest.mark.parametrize("rh", [0.46, 0.50, 0.54])
def test_coil_dry_in_front_and_wet_behind_against_the_march(rh: float) -> None:
    """Partly wet: total within 1 %, condensate within 6 % of what little there is plus 1 g/h."""
    coil = _coil(22.0, 150.0, 0.017, 0.0167, cross=False)
    duty = coil.take(air_c=20.0, ratio=ma.humidity_ratio(air_c=20.0, rh=rh), water_c=7.0)
    marched = march(
        air_c=20.0, rh=rh, air_kg_s=0.017, water_c=7.0, water_kg_s=0.0167, ua_air=22.0,
        ua_water=150.0, cells=400,
    )  # fmt: skip

    assert 0.0 < duty.wet_share < 1.0
    assert 1000.0 * duty.total_kw == pytest.approx(marched.total_w, rel=0.01)
    assert 3.6e6 * duty.condensate_kg_s == pytest.approx(marched.condensate_g_h, rel=0.06, abs=1.0)


def test_dry_coil_is_the_plain_cross_flow_exchanger() -> None:
    """Surface above the dew point: effectiveness 0.54749 at N = 1 and ratio 0.5 (also by ht)."""
    ratio = 0.01  # dew point 14 °C, below the water
    cp = ma.specific_heat_kj_kgk(ratio)
    water = 0.02
    air = water * 4.19 * 0.5 / cp
    coil = _coil(2000.0 * air * cp, 2000.0 * air * cp, air, water, cross=True)
    duty = coil.take(air_c=30.0, ratio=ratio, water_c=18.0)

    assert duty.condensate_kg_s == 0.0
    assert duty.total_kw / (air * cp * 12.0) == pytest.approx(0.54749, abs=1e-5)


def test_no_jump_from_dry_to_wet() -> None:
    """As humidity climbs through the dew point nothing steps: heat, condensate or outlet."""
    coil = _coil(22.0, 150.0, 0.017, 0.0167, cross=True)
    rows = []
    for index in range(2001):
        rh = 0.40 + 0.20 * index / 2000
        duty = coil.take(air_c=20.0, ratio=ma.humidity_ratio(air_c=20.0, rh=rh), water_c=7.0)
        rows.append((1e3 * duty.total_kw, 3.6e6 * duty.condensate_kg_s, duty.air_out_c))

    assert rows[0][1] == 0.0
    assert rows[-1][1] > 60.0
    steps = [tuple(abs(b - a) for a, b in zip(*pair, strict=True)) for pair in pairwise(rows)]
    assert max(step[0] for step in steps) < 0.08
    assert max(step[1] for step in steps) < 0.15
    assert max(step[2] for step in steps) < 0.003


def test_fruiting_chamber_takes_twice_the_dry_heat() -> None:
    """At 17 °C and 90 % with 4 °C water: 1.9 times the dry coil, less than half of it sensible."""
    coil = _coil(25.0, 150.0, 0.015, 0.03, cross=False)
    wet = coil.take(air_c=17.0, ratio=ma.humidity_ratio(air_c=17.0, rh=0.9), water_c=4.0)
    dry = coil.take(air_c=17.0, ratio=0.0, water_c=4.0)

    assert wet.total_kw / dry.total_kw == pytest.approx(1.93, abs=0.03)
    assert 1000.0 * dry.total_kw == pytest.approx(146.4, rel=0.02)


def test_warm_water_warms_the_chamber() -> None:
    """A reservoir warmer than the air gives a negative duty and no condensate."""
    coil = _coil(22.0, 150.0, 0.017, 0.0167, cross=True)
    duty = coil.take(air_c=15.0, ratio=0.009, water_c=20.0)

    assert duty.total_kw < 0.0
    assert duty.condensate_kg_s == 0.0
    assert duty.water_out_c < 20.0


def test_saturated_air_over_ice_water_leaves_saturated() -> None:
    """20 °C and 100 % over 0 °C: the line from inlet to surface passes saturation by a tenth.

    The surplus counts as condensate: the outlet is saturated air of the same enthalpy, by
    psychrolib.
    """
    coil = _coil(22.0, 150.0, 0.017, 0.0167, cross=True)
    ratio = ma.humidity_ratio(air_c=20.0, rh=1.0)
    duty = coil.take(air_c=20.0, ratio=ratio, water_c=0.0)
    out_kj_kg = ma.enthalpy_kj_kg(air_c=20.0, ratio=ratio) - duty.total_kw / 0.017
    saturated_c = brentq(
        lambda at_c: psychrolib.GetSatAirEnthalpy(at_c, PA) / 1000 - out_kj_kg, 0.0, 20.0
    )

    assert duty.air_out_c == pytest.approx(saturated_c, abs=0.02)
    assert duty.condensate_kg_s == pytest.approx(
        0.017 * (ratio - psychrolib.GetSatHumRatio(saturated_c, PA)), rel=2e-3
    )


@examples(60)
@given(
    air_c=st.floats(5.0, 35.0),
    rh=st.floats(0.0, 1.0),
    water_c=st.floats(0.0, 30.0),
    scale=st.floats(0.2, 5.0),
)
@example(air_c=20.0, rh=1.0, water_c=0.0, scale=1.0)
def test_coil_keeps_the_books_and_the_second_law(
    air_c: float, rh: float, water_c: float, scale: float
) -> None:
    """Heat out of the air is heat into the water; no outlet lies beyond the other's inlet."""
    coil = _coil(22.0 * scale, 150.0, 0.017, 0.0167 * scale, cross=True)
    ratio = ma.humidity_ratio(air_c=air_c, rh=rh)
    duty = coil.take(air_c=air_c, ratio=ratio, water_c=water_c)
    low_c, high_c = sorted((air_c, water_c))
    out_kj_kg = ma.enthalpy_kj_kg(air_c=duty.air_out_c, ratio=duty.air_out_ratio)
    in_kj_kg = ma.enthalpy_kj_kg(air_c=air_c, ratio=ratio)

    assert duty.total_kw == pytest.approx(0.017 * (in_kj_kg - out_kj_kg), rel=1e-6, abs=1e-7)
    assert duty.total_kw == pytest.approx(
        0.0167 * scale * 4.19 * (duty.water_out_c - water_c), rel=1e-6, abs=1e-7
    )
    assert low_c - 1e-6 <= duty.air_out_c <= high_c + 1e-6
    assert 0.0 <= duty.condensate_kg_s == pytest.approx(0.017 * (ratio - duty.air_out_ratio))
    assert ma.relative_humidity(air_c=duty.air_out_c, ratio=duty.air_out_ratio) <= 1.0 + 1e-9


@examples(60)
@given(
    air_c=st.floats(8.0, 30.0),
    rh=st.floats(0.3, 1.0),
    water_c=st.floats(0.0, 20.0),
    factor=st.floats(1.0, 3.0),
)
def test_a_larger_coil_never_takes_less(
    air_c: float, rh: float, water_c: float, factor: float
) -> None:
    """More conductance, colder water or wetter air never lessens the heat taken."""
    if water_c >= air_c:
        return
    ratio = ma.humidity_ratio(air_c=air_c, rh=rh)
    small = _coil(20.0, 100.0, 0.017, 0.0167, cross=True)
    base = small.take(air_c=air_c, ratio=ratio, water_c=water_c).total_kw
    larger = _coil(20.0 * factor, 100.0 * factor, 0.017, 0.0167, cross=True)

    assert larger.take(air_c=air_c, ratio=ratio, water_c=water_c).total_kw >= base - 1e-9
    assert small.take(air_c=air_c, ratio=ratio, water_c=water_c * 0.9).total_kw >= base - 1e-9
    wetter = small.take(air_c=air_c, ratio=ratio * 1.02, water_c=water_c).total_kw
    assert wetter >= base - 1e-9


def test_table_cells_stay_close_to_the_coil() -> None:
    """Heat within 0.3 % and condensate within 1 % of the coil all over a wet region."""
    coil = _coil(22.0, 150.0, 0.017, 0.0167, cross=True)
    table = CoilTable(coil)
    for index in range(300):
        air_c = 15.0 + 4.0 * math.modf(index * 0.618)[0]
        ratio = 0.009 + 0.002 * math.modf(index * 0.414)[0]
        water_c = 1.0 + 9.0 * math.modf(index * 0.732)[0]
        key = (int(air_c + 20) * 1024 + int(ratio * 2000)) * 512 + int(water_c * 2)
        cell = table.cells.get(key) or table.fill(key)
        duty = coil.take(air_c=air_c, ratio=ratio, water_c=water_c)
        heat = cell[0] + cell[1] * air_c + cell[2] * ratio + cell[3] * water_c
        drip = cell[4] + cell[5] * air_c + cell[6] * ratio + cell[7] * water_c
        assert heat == pytest.approx(duty.total_kw, rel=3e-3)
        assert drip == pytest.approx(duty.condensate_kg_s, rel=1e-2)


@pytest.mark.parametrize(
    "key", ["ua_air_w_k", "ua_water_w_k", "air_kg_s", "water_kg_s", "pressure_pa"]
)
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), math.inf])
def test_impossible_coils_are_refused(key: str, value: float) -> None:
    """The message names the figure."""
    figures = {
        "ua_air_w_k": 20.0, "ua_water_w_k": 100.0, "air_kg_s": 0.017, "water_kg_s": 0.0167,
        "pressure_pa": PA,
    }  # fmt: skip
    with pytest.raises(PhysicsError, match=key):
        Coil(**(figures | {key: value}))


@pytest.mark.parametrize(
    ("air_c", "ratio", "water_c"),
    [(99.0, 0.01, 5.0), (17.0, -0.01, 5.0), (17.0, 0.01, -5.0), (float("nan"), 0.01, 5.0)],
)
def test_impossible_states_are_refused(air_c: float, ratio: float, water_c: float) -> None:
    """Outside the range of the formulas nothing is returned."""
    with pytest.raises(PhysicsError, match="coil"):
        _coil(20.0, 100.0, 0.017, 0.0167, cross=True).take(
            air_c=air_c, ratio=ratio, water_c=water_c
        )
