"""The figure of a model beside a record: what was measured, what the model makes of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from controller.pictures.figures import BLUE, GREY, VERMILION
from controller.pictures.time_axis import TimeAxis

MOST_POINTS = 3000


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One place at one instant; temperatures [°C], None where there is none."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float | None
    air_model_c: float | None
    reservoir_c: float | None
    reservoir_model_c: float | None


def modelled_figure(
    compared: Sequence[Compared], *, unit: str, zone: tzinfo | None
) -> dict[str, Any]:
    """Return the figure as JSON-able values: ``data``, ``layout`` and ``config``.

    Args:
        compared: In the order of time; thinned to `MOST_POINTS`.
        unit: "C" or "F".
        zone: The zone to show times in.
    """
    shown = compared[:: max(1, -(-len(compared) // MOST_POINTS))]
    axis = TimeAxis((each.at_s for each in (*shown[:1], *shown[-1:])), zone)
    when = axis.when

    instants = [when(each.at_s) for each in shown]

    def line(name: str, key: str, color: str, **more: Any) -> dict[str, Any]:
        values = [getattr(each, key) for each in shown]
        return {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "connectgaps": False,
            "x": instants,
            "y": [
                None if c is None else round(c * 1.8 + 32.0 if unit == "F" else c, 3)
                for c in values
            ],
            **more,
            "line": {"color": color, **more.get("line", {})},
        }

    thick = {"line": {"width": 1.0}, "opacity": 0.55}
    dashed = {"line": {"width": 1.6, "dash": "dash"}}
    below = {"yaxis": "y2"}
    grid = "rgba(127,127,127,0.25)"
    return {
        "data": [
            line("air", "air_c", VERMILION, **thick),
            line("air, model", "air_model_c", GREY, **dashed),
            line("reservoir", "reservoir_c", BLUE, **thick, **below),
            line("reservoir, model", "reservoir_model_c", GREY, **dashed, **below),
        ],
        "layout": {
            "margin": {"l": 56, "r": 8, "t": 8, "b": 36},
            "height": 460,
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"color": GREY, "size": 13},
            "hovermode": "x",
            "legend": {"orientation": "h", "y": 1.1},
            "xaxis": {**axis.layout, "gridcolor": grid, "anchor": "y2"},
            "yaxis": {"title": {"text": f"air, °{unit}"}, "gridcolor": grid,
                      "domain": [0.54, 1.0]},
            "yaxis2": {"title": {"text": f"reservoir, °{unit}"}, "gridcolor": grid,
                       "domain": [0.0, 0.46]},
        },
        "config": {"displayModeBar": False, "responsive": True},
    }  # fmt: skip
