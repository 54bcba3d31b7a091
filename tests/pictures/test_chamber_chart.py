"""The picture of a chamber: what each interval had, gaps, units, and no empty half."""

from __future__ import annotations

from datetime import UTC

import pytest

from controller.pictures.chamber_chart import INTERVALS, ChamberHistory, ChamberPoint, chamber_chart
from controller.pictures.chart import Bars, Chart, Expected, Line, Panel, Ribbon, Steps, draw

LENGTH_S = 60.0 * INTERVALS
"""A minute each interval."""
POINTS = [
    ChamberPoint(at_s=0.0, air_c=16.0, reservoir_c=4.0, room_c=24.0, pump=1.0),
    ChamberPoint(at_s=45.0, air_c=18.0, reservoir_c=4.0, room_c=24.0, pump=0.0),
    ChamberPoint(at_s=60.0, air_c=None, reservoir_c=4.2, room_c=24.0, pump=0.0),
    ChamberPoint(at_s=3000.0, air_c=17.0, reservoir_c=6.0, room_c=25.0, pump=None),
]


def history(**more: object) -> ChamberHistory:
    whole = {"points": POINTS, "since_s": 0.0, "until_s": LENGTH_S, "zone": UTC}
    return ChamberHistory(**{**whole, **more})  # type: ignore[arg-type]


def panel(chart: Chart, title: str) -> Panel:
    return next(each for each in chart.panels if each.title.startswith(title))


def test_an_interval_has_its_lowest_highest_and_mean_by_time() -> None:
    """45 s at 16 °C and 15 s at 18 °C are 16.5 °C in the mean."""
    air = panel(chamber_chart(history(), ""), "Air")

    ribbon, line = air.layers
    assert isinstance(ribbon, Ribbon)
    assert isinstance(line, Line)
    assert ribbon.points[0] == (30.0, 16.0, 18.0)
    assert line.points[0] == (30.0, pytest.approx(16.5))


def test_lost_readings_and_silence_are_gaps() -> None:
    """A lost probe at once, and silence once a reading has stood for as long as one may."""
    chart = chamber_chart(history(), "")

    (_, air) = panel(chart, "Air").layers
    (_, reservoir) = panel(chart, "Reservoir").layers
    assert isinstance(air, Line)
    assert isinstance(reservoir, Line)
    known = [number for number, (_, value) in enumerate(air.points) if value is not None]
    assert known == [0, *range(50, 55)]
    known = [number for number, (_, value) in enumerate(reservoir.points) if value is not None]
    assert known == [*range(6), *range(50, 55)]


def test_the_pump_is_a_share_of_the_time_and_the_unknown_is_no_share() -> None:
    """45 s of a minute."""
    (bars,) = panel(chamber_chart(history(), ""), "Pump").layers

    assert isinstance(bars, Bars)
    assert bars.values[0] == (0.0, 60.0, pytest.approx(75.0))
    assert bars.values[50][2] is None


def test_a_probe_that_is_not_fitted_has_no_panel() -> None:
    """No coil outlet, no panel for it; each of the others has its own scale."""
    titles = [each.title for each in chamber_chart(history(), "").panels]

    assert titles == ["Air, °C", "Reservoir, °C", "Room, °C", "Pump, share of the time on"]


def test_fahrenheit_is_shown_where_asked_for() -> None:
    """16 °C is 60.8 °F; the band moves along, the share of the pump does not."""
    chart = chamber_chart(history(unit="F", bands_c=[(0.0, 15.0, 17.0)]), "")

    band, ribbon, _ = panel(chart, "Air, °F").layers
    assert isinstance(band, Steps)
    assert isinstance(ribbon, Ribbon)
    assert band.since == [(0.0, pytest.approx(59.0), pytest.approx(62.6))]
    assert ribbon.points[0][1:] == (pytest.approx(60.8), pytest.approx(64.4))
    (bars,) = panel(chart, "Pump").layers
    assert isinstance(bars, Bars)
    assert bars.values[0][2] == pytest.approx(75.0)


@pytest.mark.parametrize(
    ("likely_s", "until_s"),
    [
        pytest.param(None, LENGTH_S, id="no-forecast"),
        pytest.param(LENGTH_S + 600.0, LENGTH_S + 600.0, id="soon"),
        pytest.param(LENGTH_S * 4, LENGTH_S * 1.25, id="far-away"),
        pytest.param(LENGTH_S - 600.0, LENGTH_S, id="past"),
    ],
)
def test_there_is_room_for_what_is_expected_but_no_empty_half(
    likely_s: float | None, until_s: float
) -> None:
    """A fifth of the picture at most lies in the future."""
    expected = None
    if likely_s is not None:
        expected = Expected(early_s=likely_s - 60.0, likely_s=likely_s, text="")

    assert chamber_chart(history(cold_ends=expected), "").until_s == pytest.approx(until_s)


def test_a_chamber_without_records_has_an_empty_picture() -> None:
    """A first day, or a damaged file."""
    drawn = draw(chamber_chart(history(points=[]), "Nothing was recorded in this time."))

    assert "Air, °C" in drawn
    assert "Reservoir" not in drawn


def test_a_days_picture_is_small_enough_for_a_phone_at_the_edge_of_the_wireless() -> None:
    """A day of readings every 5 s; the first view may have 60 kB in all."""
    points = [
        ChamberPoint(
            at_s=5.0 * n, air_c=16 + n % 97 / 60, reservoir_c=4 + n / 3000, room_c=24 + n % 31 / 10
        )
        for n in range(17280)
    ]

    drawn = draw(chamber_chart(history(points=points, until_s=86_400.0), ""))

    assert len(drawn.encode()) < 30_000
