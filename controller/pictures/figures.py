"""The figure of a chamber: air, reservoir and room above, pump and fan as strips below.

Built as plain values in the form that the charting library's browser part reads, so that whoever
builds a figure need not load the library. The colours are those of Okabe and Ito, *Color universal
design* (2008), made to be told apart by people with any kind of colour vision; lines differ in
their dashes too, for print.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from controller.pictures.thinning import Point, thinned
from controller.pictures.time_axis import TimeAxis

BLUE, VERMILION, GREEN, ORANGE, PURPLE = "#0072B2", "#D55E00", "#009E73", "#E69F00", "#CC79A7"
GREY = "#7f7f7f"
COLUMNS = 900
GAP_S = 300.0
_LINES = (
    ("air", VERMILION, "solid", 2.2),
    ("reservoir", BLUE, "solid", 1.6),
    ("room", GREY, "dot", 1.4),
    ("coil outlet", GREEN, "dash", 1.2),
)


_DAY_MS = 86_400_000
_TIMES = (
    {"dtickrange": [None, _DAY_MS - 1], "value": "%H:%M\n%a %e"},
    {"dtickrange": [_DAY_MS, "M1"], "value": "%e %b"},
    {"dtickrange": ["M1", None], "value": "%b\n%Y"},
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
    pump: float | None = 0.0
    """Share of the time on, 0 to 1; None where that is not known."""
    fan: float | None = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What a figure shows."""

    moments: Sequence[Moment]
    bands_c: Sequence[tuple[float, float, float]] = ()
    """Since when [s] which band was in force, in the order of time: cut-out and cut-in [°C]."""
    swaps: Sequence[tuple[float, str]] = ()
    """Instants [s] and what to write beside them."""
    alarms: Sequence[tuple[float, str]] = ()
    told: Sequence[tuple[float, str]] = ()
    """Notices."""
    due_s: tuple[float, float, float] | None = None
    """Early, due and late [s], where a swap is foreseen."""
    until_s: float | None = None
    """Where the last band ends [s]; None: with the last moment."""
    unit: str = "C"
    zone: tzinfo | None = None
    gap_s: float = GAP_S
    """Moments farther apart than this have a gap between them [s]."""


def chamber_figure(history: History) -> dict[str, Any]:
    """Return the figure as JSON-able values: ``data``, ``layout`` and ``config``."""
    moments = history.moments
    ends = (history.until_s, *(history.due_s or ()))
    times = TimeAxis(
        [
            *(moment.at_s for moment in (*moments[:1], *moments[-1:])),
            *(end_s for end_s in ends if end_s is not None),
        ],
        history.zone,
    )
    when = times.when

    fahrenheit = history.unit == "F"

    def shown(value_c: float | None) -> float | None:
        if value_c is None:
            return None
        return round(value_c * 1.8 + 32.0 if fahrenheit else value_c, 3)

    data: list[dict[str, Any]] = _band(history, when, shown)
    for name, colour, dash, width in _LINES:
        series = _series(history, name.replace(" ", "_") + "_c")
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
                "hovertemplate": f"%{{y:.2f}} °{history.unit}",
            }
        )
    for axis, (name, colour) in enumerate((("pump", PURPLE), ("fan", ORANGE)), start=2):
        edges = _edges(history, name)
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
                "hovertemplate": "%{y:.0%}",
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
                    "cliponaxis": False,
                    "text": [text for _, text in seen],
                    "hovertemplate": "%{x}<br>%{text}<extra></extra>",
                    "marker": {"symbol": symbol, "size": 10, "color": colour},
                }
            )
    return {
        "data": data,
        "layout": _layout(history, times),
        "config": {"displayModeBar": False, "responsive": True, "showTips": False},
    }  # fmt: skip


def _band(history: History, when: Any, shown: Any) -> list[dict[str, Any]]:
    """Return the band as it stepped, a lower edge and an upper one, filled between."""
    if not history.bands_c:
        return []
    ends_s = history.until_s
    if ends_s is None:
        ends_s = history.moments[-1].at_s if history.moments else history.bands_c[-1][0]
    steps = [*history.bands_c, (max(ends_s, history.bands_c[-1][0]), *history.bands_c[-1][1:])]
    edge = {
        "type": "scatter",
        "mode": "lines",
        "x": [when(at_s) for at_s, _, _ in steps],
        "line": {"shape": "hv", "width": 0, "color": GREEN},
        "hoverinfo": "skip",
    }
    return [
        {**edge, "name": "cut-out", "y": [shown(low) for _, low, _ in steps], "showlegend": False},
        {**edge, "name": "band", "y": [shown(high) for _, _, high in steps],
         "fill": "tonexty", "fillcolor": "rgba(0,158,115,0.2)"},
    ]  # fmt: skip


def _layout(history: History, times: TimeAxis) -> dict[str, Any]:
    when = times.when
    shapes: list[dict[str, Any]] = []
    corner = {"xref": "paper", "yref": "paper", "showarrow": False}
    words: list[dict[str, Any]] = [
        {**corner, "text": f"°{history.unit}", "x": 0, "y": 1, "xanchor": "right",
         "yanchor": "bottom"}
    ]  # fmt: skip
    if history.due_s is not None:
        early, due, late = (when(at_s) for at_s in history.due_s)
        span = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1}
        shapes += [
            {"type": "rect", **span, "x0": early, "x1": late, "fillcolor": BLUE, "opacity": 0.14,
             "line": {"width": 0}, "layer": "below"},
            {"type": "line", **span, "x0": due, "x1": due,
             "line": {"color": BLUE, "width": 1.5, "dash": "dash"}},
        ]  # fmt: skip
        words.append({**corner, "xref": "x", "text": "swap due", "x": due, "y": 0.28,
                      "xanchor": "right", "yanchor": "bottom"})  # fmt: skip
    strip = {"range": [0, 1], "fixedrange": True, "showticklabels": False, "showgrid": False,
             "zeroline": False}  # fmt: skip
    grid = "rgba(127,127,127,0.25)"
    across: dict[str, Any] = {}
    if history.moments:  # marks at the edge would make the library leave days free beside them
        ends = (history.moments[-1].at_s, history.until_s or 0.0, *(history.due_s or ())[2:])
        across = {"range": [when(history.moments[0].at_s), when(max(ends))]}
    return {
        "margin": {"l": 44, "r": 8, "t": 8, "b": 36},
        "height": 420,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"color": GREY, "size": 13},
        "hovermode": "x unified",
        "hoverlabel": {"font": {"color": "#1c2321"}, "bgcolor": "#fbfaf7"},
        "annotations": words,
        "legend": {"orientation": "h", "x": 0.06, "y": 1.01, "yanchor": "bottom",
                   "traceorder": "normal"},
        "shapes": shapes,
        "xaxis": {**times.layout, "gridcolor": grid, "anchor": "y3", "type": "date", **across,
                  "tickangle": 0, "hoverformat": "%a %e %b %H:%M", "tickformatstops": _TIMES},
        "yaxis": {"domain": [0.28, 1.0], "gridcolor": grid, "zeroline": False},
        "yaxis2": {**strip, "domain": [0.10, 0.16], "title": _side("pump")},
        "yaxis3": {**strip, "domain": [0.0, 0.06], "title": _side("fan")},
        "yaxis4": {**strip, "domain": [0.19, 0.25]},
    }  # fmt: skip


def _side(name: str) -> dict[str, Any]:
    return {"text": name, "font": {"size": 11}}


def _series(history: History, name: str) -> list[Point]:
    """Return one series, with a gap wherever nothing was recorded for long."""
    series: list[Point] = []
    last_s: float | None = None
    for moment in history.moments:
        if last_s is not None and moment.at_s - last_s > history.gap_s:
            series.append((last_s + 1.0, None))
        series.append((moment.at_s, getattr(moment, name)))
        last_s = moment.at_s
    return series


def _edges(history: History, name: str) -> list[Point]:
    """Return where a switch changed, and where nothing is known of it."""
    edges: list[Point] = []
    last: Moment | None = None
    for moment in history.moments:
        on = _share(moment, name)
        if last is not None and moment.at_s - last.at_s > history.gap_s:
            edges.append((last.at_s, None))
        if not edges or edges[-1][1] != on:
            edges.append((moment.at_s, on))
        last = moment
    if last is not None:
        edges.append((last.at_s, _share(last, name)))
    return edges


def _share(moment: Moment, name: str) -> float | None:
    on: float | None = getattr(moment, name)
    return None if on is None else round(float(on), 3)
