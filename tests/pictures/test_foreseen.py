"""The figure of forecasts."""

from __future__ import annotations

from datetime import UTC

from controller.pictures.foreseen import Foreseen, foreseen_figure

HOUR_S = 3600.0
AT_S = 1_783_900_800.0  # 13 July 2026, 00:00 UTC


def test_hours_left_are_counted_from_each_forecast() -> None:
    """Two forecasts, the second with no end in sight; swaps are lines across."""
    forecasts = [
        Foreseen(
            at_s=AT_S, early_s=AT_S + HOUR_S, due_s=AT_S + 2 * HOUR_S, late_s=AT_S + 4 * HOUR_S
        ),
        Foreseen(at_s=AT_S + HOUR_S, early_s=None, due_s=None, late_s=None),
    ]

    figure = foreseen_figure(forecasts, [AT_S + HOUR_S], zone=UTC)

    lines = {line["name"]: (line["x"], line["y"]) for line in figure["data"]}
    x = ["2026-07-13 00:00:00", "2026-07-13 01:00:00"]
    assert lines == {
        "early": (x, [1.0, None]),
        "early to late": (x, [4.0, None]),
        "swap due": (x, [2.0, None]),
    }
    assert [shape["x0"] for shape in figure["layout"]["shapes"]] == ["2026-07-13 01:00:00"]
