"""The picture of forecasts."""

from __future__ import annotations

from datetime import UTC

from controller.pictures.chart import Line, Ribbon
from controller.pictures.forecast_chart import PastForecast, forecast_chart

HOUR_S = 3600.0
AT_S = 1_783_900_800.0  # 13 July 2026, 00:00 UTC


def test_hours_left_are_counted_from_each_forecast() -> None:
    """Two forecasts, the second with no end in sight; pack changes are marks."""
    forecasts = [
        PastForecast(
            at_s=AT_S, early_s=AT_S + HOUR_S, likely_s=AT_S + 2 * HOUR_S, late_s=AT_S + 4 * HOUR_S
        ),
        PastForecast(at_s=AT_S + HOUR_S, early_s=None, likely_s=None, late_s=None),
    ]

    chart = forecast_chart(forecasts, [(AT_S + 60.0, "6 packs")], zone=UTC)

    ribbon, line = chart.panels[0].layers
    assert isinstance(ribbon, Ribbon)
    assert isinstance(line, Line)
    assert ribbon.points == [(AT_S, 1.0, 4.0), (AT_S + HOUR_S, None, None)]
    assert line.points == [(AT_S, 2.0), (AT_S + HOUR_S, None)]
    assert [(mark.at_s, mark.style) for mark in chart.marks] == [(AT_S + 60.0, "change")]
