"""Charts over time as SVG text, which a page holds as it is: no script draws anything.

A chart is a stack of panels with one axis of time. Curves lie in a drawing that is stretched to the
page's width; text and marks lie above it in per cent of that width, so that letters keep their size
from a phone to a desk. Colours and dashes are classes (`files/chart.css`), so that they follow
light, dark and print.

Charting libraries that draw SVG were tried first (pygal 3.1, leather 0.4: 5 to 8 MB, 6 to 11 ms for
two lines): they know neither panels with one axis of time nor a band that steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from html import escape

from controller.pictures.time_axis import TimeAxis

WIDTH = 1000.0
"""Width of the stretched drawing, in its own units."""
TICKS_ACROSS = 6
"""Marks of time: as many as a phone has room for."""
_HEAD, _FOOT, _AXIS = 18, 8, 20
"""Room above a panel for its words, below it, and below the last one for the times [px]."""
_MARKS = 14
"""Room for the shapes of marks, between the first panel's words and its drawing [px]."""
_DRAWN_FROM = _HEAD + _MARKS

Value = float | None
"""A value in the panel's unit; None is a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A curve; None ends it and a later value begins it anew."""

    style: str
    """Class of the curve, such as ``air``."""
    points: Sequence[tuple[float, Value]]
    """Instant [s since 1970, UTC] and value, in the order of time."""
    name: str = ""
    """What the panel's head calls it; empty: it is not named there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ribbon:
    """A range that moves: lowest and highest at each instant."""

    style: str
    points: Sequence[tuple[float, Value, Value]]
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """A band that holds from each instant until the next: from, lowest, highest."""

    style: str
    since: Sequence[tuple[float, float, float]]
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """A value for each interval, drawn from the bottom: begin, end, value [panel's unit]."""

    style: str
    values: Sequence[tuple[float, float, Value]]
    name: str = ""


Layer = Line | Ribbon | Steps | Bars
_Place = Callable[[float], float]
"""Where an instant or a value lies in the drawing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One drawing with its own scale."""

    title: str
    layers: Sequence[Layer]
    height: int
    """Of the drawing [px]."""
    unit: str = ""
    at_least: float = 0.0
    """The scale spans no less than this, so that a still line looks still [panel's unit]."""
    scale: tuple[float, float] | None = None
    """Lowest and highest value drawn; None: from what is drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that happened, marked across all panels."""

    at_s: float
    style: str
    """``change``, ``alarm`` or ``notice``: each has its own shape."""
    text: str
    """Shown when a pointer rests on it, and read aloud."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """When something is expected to happen: early bound and most likely [s]."""

    early_s: float
    likely_s: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A stack of panels from one instant to another."""

    panels: Sequence[Panel]
    since_s: float
    until_s: float
    label: str
    """The picture in a sentence, for whoever does not see it."""
    zone: tzinfo | None = None
    marks: Sequence[Mark] = ()
    expected: Expected | None = None


def draw(chart: Chart) -> str:
    """Return the chart as an ``svg`` element, as wide as what it stands in.

    Raises:
        ValueError: The chart ends before it begins.
    """
    axis = TimeAxis(chart.since_s, chart.until_s, chart.zone)
    parts: list[str] = []
    top = 0
    for panel in chart.panels:
        parts.append(_head(panel, top + _HEAD - 5))
        top += _HEAD if parts[1:] else _HEAD + _MARKS
        parts += _panel(panel, chart, axis, top)
        top += panel.height + _FOOT
    parts += _times(axis, top + 12)
    parts += _marks(chart, axis, top - _FOOT)
    height = top + _AXIS + (16 if axis.note else 0)
    if axis.note:
        parts.append(f'<text class="small" x="0" y="{height - 3}">{escape(axis.note)}</text>')
    return (
        f'<svg class="chart" role="img" width="100%" height="{height}" '
        f'aria-label="{escape(chart.label)}">{"".join(parts)}</svg>'
    )


def _panel(panel: Panel, chart: Chart, axis: TimeAxis, top: int) -> Iterator[str]:
    low, high = _scale(panel)
    ticks = (
        [low, high] if panel.scale else _round_values(low, high, most=max(2, panel.height // 30))
    )

    def x(at_s: float) -> float:
        return WIDTH * min(1.0, max(0.0, axis.share(at_s)))

    def y(value: float) -> float:
        return panel.height * (high - min(high, max(low, value))) / (high - low)

    yield (
        f'<svg y="{top}" width="100%" height="{panel.height}" '
        f'viewBox="0 0 {WIDTH:g} {panel.height}" preserveAspectRatio="none">'
    )
    if chart.expected is not None:
        begin, end = x(chart.expected.early_s), x(chart.expected.likely_s)
        yield f'<path class="expected" d="{_box(begin, 0, end, panel.height)}"/>'
    for layer in panel.layers:
        yield from _layer(layer, chart, x, y, panel.height)
    for tick in ticks:
        yield f'<path class="grid" d="M0 {y(tick):.1f}H{WIDTH:g}"/>'
    yield "</svg>"
    for tick in ticks:
        below = top + y(tick) + (11 if y(tick) < 11 else -3)
        yield f'<text class="scale" x="2" y="{below:.0f}">{_short(tick)}{panel.unit}</text>'


def _head(panel: Panel, at_y: int) -> str:
    names = "".join(
        f' <tspan class="{layer.style} name" dx="10">{escape(layer.name)}</tspan>'
        for layer in panel.layers
        if layer.name
    )
    return f'<text class="head" x="0" y="{at_y}">{escape(panel.title)}{names}</text>'


def _layer(layer: Layer, chart: Chart, x: _Place, y: _Place, height: int) -> Iterator[str]:
    if isinstance(layer, Line):
        path = "".join(_line(layer.points, x, y))
        yield f'<path class="{layer.style} line" d="{path}"/>'
    elif isinstance(layer, Ribbon):
        for run in _runs(layer.points):
            along = "L".join(f"{x(at_s):.1f} {y(high):.1f}" for at_s, _, high in run)
            back = "L".join(f"{x(at_s):.1f} {y(low):.1f}" for at_s, low, _ in reversed(run))
            yield f'<path class="{layer.style} ribbon" d="M{along}L{back}Z"/>'
    elif isinstance(layer, Steps):
        ends = [*(since for since, _, _ in layer.since[1:]), chart.until_s]
        path = "".join(
            _box(x(begin), y(high), x(end), y(low))
            for (begin, low, high), end in zip(layer.since, ends, strict=True)
        )
        yield f'<path class="{layer.style} steps" d="{path}"/>'
    else:
        path = "".join(
            _box(x(begin), y(value), x(end), height) for begin, end, value in layer.values if value
        )
        yield f'<path class="{layer.style} bars" d="{path}"/>'


def _times(axis: TimeAxis, at_y: int) -> Iterator[str]:
    for tick in axis.ticks(TICKS_ACROSS):
        share = axis.share(tick.at_s)
        anchor = "start" if share < 0.05 else "end" if share > 0.95 else "middle"
        yield (
            f'<line class="grid" x1="{share:.2%}" x2="{share:.2%}" y1="{_DRAWN_FROM}" '
            f'y2="{at_y - 12}"/>'
            f'<text class="scale" x="{share:.2%}" y="{at_y}" text-anchor="{anchor}">'
            f"{escape(tick.text)}</text>"
        )


_SHAPES = {
    "change": '<path d="M0 0L5 -9H-5Z"/>',
    "alarm": '<path d="M-4 -9L4 -1M4 -9L-4 -1"/>',
    "notice": '<circle cy="-5" r="3.5"/>',
}


def _marks(chart: Chart, axis: TimeAxis, bottom: int) -> Iterator[str]:
    for mark in chart.marks:
        share = axis.share(mark.at_s)
        if 0.0 <= share <= 1.0:
            yield (
                f'<svg class="mark {mark.style}" x="{share:.2%}" y="{_DRAWN_FROM - 2}" '
                f'overflow="visible" width="1" height="1"><title>{escape(mark.text)}</title>'
                f'<path class="stem" d="M0 0V{bottom - _DRAWN_FROM + 2}"/>{_SHAPES[mark.style]}'
                "</svg>"
            )
    if chart.expected is not None:
        share = min(1.0, axis.share(chart.expected.early_s))
        anchor, dx = ("start", 4) if share < 0.5 else ("end", -4)
        yield (
            f'<text class="small" x="{share:.2%}" dx="{dx}" y="{_DRAWN_FROM + 12}" '
            f'text-anchor="{anchor}">{escape(chart.expected.text)}</text>'
        )


def _box(left: float, top: float, right: float, bottom: float) -> str:
    return f"M{left:.1f} {top:.1f}H{right:.1f}V{bottom:.1f}H{left:.1f}Z"


def _line(points: Iterable[tuple[float, Value]], x: _Place, y: _Place) -> Iterator[str]:
    drawing = False
    for at_s, value in points:
        if value is not None:
            yield f"{'L' if drawing else 'M'}{x(at_s):.1f} {y(value):.1f}"
        drawing = value is not None


def _runs(
    points: Iterable[tuple[float, Value, Value]],
) -> Iterator[list[tuple[float, float, float]]]:
    run: list[tuple[float, float, float]] = []
    for at_s, low, high in points:
        if low is None or high is None:
            if run:
                yield run
            run = []
        else:
            run.append((at_s, low, high))
    if run:
        yield run


def _drawn(layer: Layer) -> Iterator[float]:
    if isinstance(layer, Line):
        yield from (value for _, value in layer.points if value is not None)
    elif isinstance(layer, Bars):
        yield from (value for _, _, value in layer.values if value is not None)
    else:
        triples = layer.points if isinstance(layer, Ribbon) else layer.since
        for _, low, high in triples:
            yield from (value for value in (low, high) if value is not None)


def _scale(panel: Panel) -> tuple[float, float]:
    if panel.scale is not None:
        return panel.scale
    values = [value for layer in panel.layers for value in _drawn(layer)] or [0.0]
    low, high = min(values), max(values)
    lacking = max(panel.at_least, 1e-3) - (high - low)
    if lacking > 0:
        low, high = low - lacking / 2, high + lacking / 2
    return low, high


def _round_values(low: float, high: float, *, most: int) -> list[float]:
    """Return up to so many round values that lie between, or the middle where there is none."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * each for each in (1.0, 2.0, 2.5, 5.0, 10.0) if power * each >= rough)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [step * number for number in range(first, last + 1)] or [(low + high) / 2]


def _short(value: float) -> str:
    return f"{value:.6g}".replace("-", "−")
