"""The figure of forecasts: how many hours the cold was said to last, as time went on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from controller.pictures.figures import BLUE, GREY
from controller.pictures.time_axis import TimeAxis

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Foreseen:
    """What was said at an instant; all in seconds since 1970, UTC, None for not in sight."""

    at_s: float
    early_s: float | None
    due_s: float | None
    late_s: float | None


def foreseen_figure(
    forecasts: Sequence[Foreseen], swaps_s: Sequence[float], *, zone: tzinfo | None
) -> dict[str, Any]:
    """Return the figure as JSON-able values: ``data``, ``layout`` and ``config``.

    Args:
        forecasts: In the order of time.
        swaps_s: When packs were put in [s].
        zone: The zone to show times in.
    """
    axis = TimeAxis((each.at_s for each in (*forecasts[:1], *forecasts[-1:])), zone)
    when = axis.when

    def hours(name: str) -> list[float | None]:
        ends = ((each.at_s, getattr(each, name)) for each in forecasts)
        return [
            None if end_s is None else round((end_s - at_s) / HOUR_S, 3) for at_s, end_s in ends
        ]

    def line(name: str, of: str, **more: Any) -> dict[str, Any]:
        shape = {"type": "scatter", "mode": "lines", "name": name, "connectgaps": False}
        return {**shape, "x": [when(each.at_s) for each in forecasts], "y": hours(of), **more}

    thin = {"color": BLUE, "width": 0.5}
    across = {"type": "line", "xref": "x", "yref": "paper", "y0": 0, "y1": 1}
    grid = "rgba(127,127,127,0.25)"
    return {
        "data": [
            line("early", "early_s", line=thin, showlegend=False),
            line("early to late", "late_s", line=thin, fill="tonexty",
                 fillcolor="rgba(0,114,178,0.16)"),
            line("swap due", "due_s", line={"color": BLUE, "width": 2.0}),
        ],
        "layout": {
            "margin": {"l": 56, "r": 8, "t": 8, "b": 36},
            "height": 260,
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"color": GREY, "size": 13},
            "hovermode": "x",
            "legend": {"orientation": "h", "y": 1.15},
            "xaxis": {**axis.layout, "gridcolor": grid},
            "yaxis": {"title": {"text": "hours left"}, "gridcolor": grid, "rangemode": "tozero"},
            "shapes": [
                {**across, "x0": when(at_s), "x1": when(at_s),
                 "line": {"color": GREY, "width": 1, "dash": "dot"}}
                for at_s in swaps_s
            ],
        },
        "config": {"displayModeBar": False, "responsive": True},
    }  # fmt: skip
