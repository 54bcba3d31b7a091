"""The figure of a chamber: air, reservoir and room above, pump and fan as strips below.

Built as plain values in the form that the charting library's browser part reads, so that whoever
builds a figure need not load the library. The colours are those of Okabe and Ito, *Color universal
design* (2008), made to be told apart by people with any kind of colour vision; lines differ in
their dashes too, for print.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from typing import Any

from controller.pictures.thinning import Point, thinned

BLUE, VERMILION, GREEN, ORANGE, PURPLE = "#0072B2", "#D55E00", "#009E73", "#E69F00", "#CC79A7"
GREY = "#7f7f7f"
COLUMNS = 900
GAP_S = 300.0
"""Readings farther apart than this have a gap between them [s]."""
_LINES = (
    ("air", VERMILION, "solid", 2.2),
    ("reservoir", BLUE, "solid", 1.6),
    ("room", GREY, "dot", 1.4),
    ("coil outlet", GREEN, "dash", 1.2),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What was so from an instant on; temperatures [°C], None where a probe was lost."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float | None = None
    reservoir_c: float | None = None
    room_c: float | None = None
    coil_outlet_c: float | None = None
    pump: bool = False
    fan: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What a figure shows."""

    moments: Sequence[Moment]
    band_c: tuple[float, float] | None = None
    """Cut-out and cut-in now [°C]."""
    swaps: Sequence[tuple[float, str]] = ()
    """Instants [s] and what to write beside them."""
    alarms: Sequence[tuple[float, str]] = ()
    told: Sequence[tuple[float, str]] = ()
    """Notices."""
    due_s: tuple[float, float, float] | None = None
    """Early, due and late [s], where a swap is foreseen."""
    unit: str = "C"
    zone: tzinfo | None = None
    notes: Sequence[str] = field(default_factory=tuple)


def chamber_figure(history: History) -> dict[str, Any]:
    """Return the figure as JSON-able values: ``data``, ``layout`` and ``config``."""

    def when(at_s: float) -> str:
        local = datetime.fromtimestamp(at_s, UTC).astimezone(history.zone)
        return local.replace(tzinfo=None).isoformat(sep=" ", timespec="seconds")

    fahrenheit = history.unit == "F"

    def shown(value_c: float | None) -> float | None:
        if value_c is None:
            return None
        return round(value_c * 1.8 + 32.0 if fahrenheit else value_c, 3)

    data: list[dict[str, Any]] = []
    for name, colour, dash, width in _LINES:
        series = _series(history.moments, name.replace(" ", "_") + "_c")
        if not any(value is not None for _, value in series):
            continue
        points = thinned(series, columns=COLUMNS)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": [when(at_s) for at_s, _ in points],
                "y": [shown(value) for _, value in points],
                "line": {"color": colour, "dash": dash, "width": width},
                "connectgaps": False,
            }
        )
    for axis, (name, colour) in enumerate((("pump", PURPLE), ("fan", ORANGE)), start=2):
        edges = _edges(history.moments, name)
        data.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": name,
                "x": [when(at_s) for at_s, _ in edges],
                "y": [value for _, value in edges],
                "yaxis": f"y{axis}",
                "line": {"shape": "hv", "width": 0, "color": colour},
                "fill": "tozeroy",
                "fillcolor": colour,
                "hoverinfo": "x+name",
                "showlegend": False,
            }
        )
    marks = (
        ("swap", history.swaps, "triangle-up", BLUE),
        ("alarm", history.alarms, "x", VERMILION),
        ("told", history.told, "circle-open", GREEN),
    )
    for name, seen, symbol, colour in marks:
        if seen:
            data.append(
                {
                    "type": "scatter",
                    "mode": "markers",
                    "name": name,
                    "x": [when(at_s) for at_s, _ in seen],
                    "y": [0.5] * len(seen),
                    "yaxis": "y4",
                    "text": [text for _, text in seen],
                    "hovertemplate": "%{x}<br>%{text}<extra></extra>",
                    "marker": {"symbol": symbol, "size": 10, "color": colour},
                }
            )
    return {
        "data": data,
        "layout": _layout(history, when, shown),
        "config": {"displayModeBar": False, "responsive": True},
    }  # fmt: skip


def _layout(history: History, when: Any, shown: Any) -> dict[str, Any]:
    shapes: list[dict[str, Any]] = []
    across = {"xref": "paper", "x0": 0, "x1": 1, "yref": "y"}
    if history.band_c is not None:
        low, high = (shown(value) for value in history.band_c)
        shapes.append(
            {"type": "rect", **across, "y0": low, "y1": high, "fillcolor": GREEN, "opacity": 0.16,
             "line": {"width": 0}, "layer": "below"}
        )  # fmt: skip
    if history.due_s is not None:
        early, due, late = (when(at_s) for at_s in history.due_s)
        span = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1}
        shapes += [
            {"type": "rect", **span, "x0": early, "x1": late, "fillcolor": BLUE, "opacity": 0.14,
             "line": {"width": 0}, "layer": "below"},
            {"type": "line", **span, "x0": due, "x1": due,
             "line": {"color": BLUE, "width": 1.5, "dash": "dash"}},
        ]  # fmt: skip
    strip = {"range": [0, 1], "fixedrange": True, "showticklabels": False, "showgrid": False,
             "zeroline": False}  # fmt: skip
    grid = "rgba(127,127,127,0.25)"
    return {
        "margin": {"l": 56, "r": 8, "t": 8, "b": 36},
        "height": 420,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": GREY, "size": 13},
        "hovermode": "x",
        "legend": {"orientation": "h", "y": 1.1},
        "shapes": shapes,
        "xaxis": {"gridcolor": grid, "anchor": "y3"},
        "yaxis": {"domain": [0.28, 1.0], "title": {"text": f"°{history.unit}"}, "gridcolor": grid,
                  "zeroline": False},
        "yaxis2": {**strip, "domain": [0.10, 0.16], "title": _side("pump")},
        "yaxis3": {**strip, "domain": [0.0, 0.06], "title": _side("fan")},
        "yaxis4": {**strip, "domain": [0.19, 0.25]},
    }  # fmt: skip


def _side(name: str) -> dict[str, Any]:
    return {"text": name, "font": {"size": 11}}


def _series(moments: Sequence[Moment], name: str) -> list[Point]:
    """Return one series, with a gap wherever nothing was recorded for long."""
    series: list[Point] = []
    last_s: float | None = None
    for moment in moments:
        if last_s is not None and moment.at_s - last_s > GAP_S:
            series.append((last_s + 1.0, None))
        series.append((moment.at_s, getattr(moment, name)))
        last_s = moment.at_s
    return series


def _edges(moments: Sequence[Moment], name: str) -> list[tuple[float, int | None]]:
    """Return where a switch changed, and where nothing is known of it."""
    edges: list[tuple[float, int | None]] = []
    last: Moment | None = None
    for moment in moments:
        on = int(getattr(moment, name))
        if last is not None and moment.at_s - last.at_s > GAP_S:
            edges.append((last.at_s, None))
        if not edges or edges[-1][1] != on:
            edges.append((moment.at_s, on))
        last = moment
    if last is not None:
        edges.append((last.at_s, int(getattr(last, name))))
    return edges
