"""The picture of a chamber over time: air against its band, reservoir, room, and how much it ran.

A normal cycle swings through the band many times an hour, so the air is drawn as the range that it
had in each interval, with its mean as a line: a cycle does not paint over the band that it should
be compared with.

Colours are those of Okabe and Ito, *Color universal design* (2008), made to be distinguished
with any kind of colour vision; lines differ in their dashes too, for print.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

from controller.domain.reading_rows import PROBE_NAMES
from controller.pictures.chart import (
    Bars,
    Chart,
    Expected,
    Layer,
    Line,
    Mark,
    Panel,
    Ribbon,
    Steps,
    Value,
)
from controller.pictures.words import degrees

INTERVALS = 60
"""Into how many parts the time is divided: of a day, longer than a cycle."""
GAP_S = 300.0
"""A reading stands for this long at most [s]; later, nothing is known."""
FUTURE_SHARE = 0.2
"""No more of the picture than this is kept for what is still to come."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberPoint:
    """What was so from an instant on; temperatures [°C], None where a probe was lost."""

    at_s: float
    """Seconds since 1970, UTC."""
    air_c: float | None = None
    reservoir_c: float | None = None
    room_c: float | None = None
    coil_outlet_c: float | None = None
    pump: float | None = 0.0
    """Share of the time on, 0 to 1; None where that is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one of the `INTERVALS` of the time had: lowest, mean and highest [°C]; None: nothing."""

    number: int
    """Which, from 0."""
    air_c: tuple[float, float, float] | None
    reservoir_c: tuple[float, float, float] | None
    room_c: tuple[float, float, float] | None
    coil_outlet_c: tuple[float, float, float] | None
    pump: float | None
    """Share of the time on, 0 to 1; None where that is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberHistory:
    """What a picture of a chamber shows."""

    points: Sequence[ChamberPoint] = ()
    """In the order of time."""
    parts: Sequence[Part] = ()
    """In the place of points, where what each interval had is known already."""
    since_s: float
    until_s: float
    """Where the picture begins, and where the past ends [s since 1970, UTC]."""
    bands_c: Sequence[tuple[float, float, float]] = ()
    """Since when [s] which band was in force, in the order of time: cut-out and cut-in [°C]."""
    pack_changes: Sequence[tuple[float, str]] = ()
    """Instants [s] and what to say of them."""
    alarms: Sequence[tuple[float, str]] = ()
    notices: Sequence[tuple[float, str]] = ()
    cold_ends: Expected | None = None
    """Until when the cold is expected to last; None: there is no forecast."""
    unit: str = "C"
    zone: tzinfo | None = None


@dataclass(slots=True)
class _Interval:
    """What one part of the time had of one series."""

    low: float = float("inf")
    high: float = float("-inf")
    weighted: float = 0.0
    known_s: float = 0.0

    def take(self, value: float, lasted_s: float) -> None:
        self.low, self.high = min(self.low, value), max(self.high, value)
        self.weighted += value * lasted_s
        self.known_s += lasted_s

    @property
    def mean(self) -> Value:
        return self.weighted / self.known_s if self.known_s > 0 else None


@dataclass(slots=True)
class _Parts:
    """The time in equal parts, each series apart."""

    since_s: float
    width_s: float
    of: dict[str, list[_Interval]] = field(default_factory=dict)

    def middle_s(self, number: int) -> float:
        return self.since_s + (number + 0.5) * self.width_s

    def line(self, name: str) -> list[tuple[float, Value]]:
        return [(self.middle_s(n), each.mean) for n, each in enumerate(self.of[name])]

    def ribbon(self, name: str) -> list[tuple[float, Value, Value]]:
        return [
            (self.middle_s(n), each.low, each.high)
            if each.known_s
            else (self.middle_s(n), None, None)
            for n, each in enumerate(self.of[name])
        ]

    def known(self, name: str) -> bool:
        return any(each.known_s for each in self.of[name])


def chamber_chart(history: ChamberHistory, label: str) -> Chart:
    """Return the picture.

    Args:
        history: What it shows.
        label: The same in a sentence, for whoever does not see it.
    """
    parts = _in_parts(history)
    unit = f"°{history.unit}"
    marks = [
        *(Mark(at_s=at_s, style="change", text=text) for at_s, text in history.pack_changes),
        *(Mark(at_s=at_s, style="alarm", text=text) for at_s, text in history.alarms),
        *(Mark(at_s=at_s, style="notice", text=text) for at_s, text in history.notices),
    ]
    below = [_probe_panel(name, parts, unit) for name in PROBE_NAMES[1:] if parts.known(name)]
    return Chart(
        panels=[_air_panel(history, parts, unit), *below, _pump_panel(parts)],
        since_s=history.since_s,
        until_s=_end_s(history),
        label=label,
        zone=history.zone,
        marks=marks,
        expected=history.cold_ends,
    )


def _air_panel(history: ChamberHistory, parts: _Parts, unit: str) -> Panel:
    bands = [
        (max(since_s, history.since_s), degrees(low_c, history.unit), degrees(high_c, history.unit))
        for since_s, low_c, high_c in history.bands_c
    ]
    layers: list[Layer] = [Steps(style="band", since=bands, name="band")] if bands else []
    layers += [
        Ribbon(style="air", points=parts.ribbon("air"), name="air, lowest to highest"),
        Line(style="air", points=parts.line("air"), name="mean"),
    ]
    return Panel(title=f"Air, {unit}", layers=layers, height=150, unit="°", at_least=3.0)


def _probe_panel(name: str, parts: _Parts, unit: str) -> Panel:
    return Panel(
        title=f"{name.replace('_', ' ').capitalize()}, {unit}",
        layers=[
            Ribbon(style=name, points=parts.ribbon(name)),
            Line(style=name, points=parts.line(name)),
        ],
        height=80 if name == "reservoir" else 56,
        unit="°",
        at_least=4.0,
    )


def _pump_panel(parts: _Parts) -> Panel:
    shares = [
        (
            parts.since_s + n * parts.width_s,
            parts.since_s + (n + 1) * parts.width_s,
            None if each.mean is None else 100.0 * each.mean,
        )
        for n, each in enumerate(parts.of["pump"])
    ]
    return Panel(
        title="Pump, share of the time on",
        layers=[Bars(style="pump", values=shares)],
        height=36,
        unit=" %",
        scale=(0.0, 100.0),
    )


def _end_s(history: ChamberHistory) -> float:
    """Leave room for what is expected, but no empty half."""
    if history.cold_ends is None:
        return history.until_s
    longest_s = (history.until_s - history.since_s) * FUTURE_SHARE / (1.0 - FUTURE_SHARE)
    wanted_s = history.cold_ends.likely_s
    return max(history.until_s, min(wanted_s, history.until_s + longest_s))


def _in_parts(history: ChamberHistory) -> _Parts:
    """Return lowest, mean and highest of each part; a reading stands until the next, or a gap."""
    width_s = (history.until_s - history.since_s) / INTERVALS
    parts = _Parts(since_s=history.since_s, width_s=width_s)
    names = (*PROBE_NAMES, "pump")
    parts.of = {name: [_Interval() for _ in range(INTERVALS)] for name in names}
    for known in history.parts:
        _take(parts, known, history.unit)
    points = history.points
    for number, point in enumerate(points):
        next_s = points[number + 1].at_s if number + 1 < len(points) else history.until_s
        end_s = min(next_s, point.at_s + GAP_S, history.until_s)
        begin_s = max(point.at_s, history.since_s)
        if begin_s >= history.until_s or end_s <= history.since_s:
            continue
        values = [
            (name, value if name == "pump" else degrees(value, history.unit))
            for name, value in (
                ("air", point.air_c),
                ("reservoir", point.reservoir_c),
                ("room", point.room_c),
                ("coil_outlet", point.coil_outlet_c),
                ("pump", point.pump),
            )
            if value is not None
        ]
        first = int((begin_s - history.since_s) / width_s)
        last = min(INTERVALS - 1, int((end_s - history.since_s) / width_s))
        for part in range(first, last + 1):
            from_s = max(begin_s, history.since_s + part * width_s)
            lasted_s = min(end_s, history.since_s + (part + 1) * width_s) - from_s
            if lasted_s <= 0.0 and part > first:
                continue  # it ended where this part begins
            for name, value in values:
                parts.of[name][part].take(value, max(lasted_s, 1e-3))
    return parts


def _take(parts: _Parts, part: Part, unit: str) -> None:
    """Take over what an interval had."""
    for name in PROBE_NAMES:
        extent: tuple[float, float, float] | None = getattr(part, f"{name}_c")
        if extent is not None:
            low, mean, high = (degrees(value, unit) for value in extent)
            parts.of[name][part.number] = _Interval(low, high, mean, 1.0)
    if part.pump is not None:
        parts.of["pump"][part.number] = _Interval(part.pump, part.pump, part.pump, 1.0)
