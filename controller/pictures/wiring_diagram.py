"""A wiring diagram as an SVG document: the Pi's pins, the relay channels, the loads and supplies.

Drawn for people who have never wired a relay, for print as much as for a screen: each line
has a label, and a mains load is drawn behind a fence with labels of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

MARGIN = 24
PI_X, PI_W = MARGIN, 190
RELAY_X, RELAY_W = 356, 180
LOAD_X, LOAD_W = 716, 230
ROW = 134
TOP = 92
WIDTH = 970
INK, FAINT, FENCE = "#1c2321", "#5d6663", "#a34700"


@dataclass(frozen=True, slots=True, kw_only=True)
class WiredLine:
    """One load from the pin to its supply."""

    name: str
    pin: str
    """GPIO and header pin in words, empty where nothing real is switched."""
    active_low: bool
    supply: str
    """Such as "12 V DC"."""
    current_a: float
    kind: str
    """``motor``, ``resistive`` …"""
    direct: bool
    """DC, not AC."""
    mains: bool
    relay_module: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WiringPlan:
    """What is drawn."""

    chamber: str
    lines: Sequence[WiredLine]
    bus_pin: str
    """GPIO and header pin of the 1-Wire bus in words."""
    probes: Sequence[tuple[str, str]]
    """Place and id of each probe."""
    level_pin: str = ""
    """GPIO and header pin of the level switch in words, empty where there is none."""


def wiring_svg(plan: WiringPlan) -> str:
    """Return the diagram as an SVG document that needs nothing else."""
    rows = len(plan.lines)
    probes_y = TOP + rows * ROW + 20
    pi_bottom = probes_y + 66
    level_y = max(pi_bottom, probes_y + 34 + 22 * len(plan.probes)) + 44
    if plan.level_pin:
        pi_bottom = level_y + 40
    notes_y = max(pi_bottom + 44, level_y)
    notes = _notes(plan)
    height = notes_y + 24 * len(notes) + MARGIN
    parts = [
        _opening(plan.chamber, height),
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        _text(MARGIN, 36, f"Wiring of {plan.chamber}", size=20, bold=True),
        _text(MARGIN, 60, "As the configuration has it. Local codes come before this drawing.",
              faint=True),
        _box(PI_X, TOP - 10, PI_W, pi_bottom - TOP + 10),
        _text(PI_X + 12, TOP + 14, "Raspberry Pi", bold=True),
    ]  # fmt: skip
    for index, line in enumerate(plan.lines):
        parts += _line(line, TOP + index * ROW + 34)
    parts += _bus(plan, probes_y)
    if plan.level_pin:
        parts += _level(plan.level_pin, level_y)
    parts += [
        _text(MARGIN, notes_y + 24 * index, note, bold=note.startswith("Mains"))
        for index, note in enumerate(notes)
    ]
    parts.append("</svg>\n")
    return "\n".join(parts)


def _line(line: WiredLine, y: int) -> list[str]:
    """Draw one load: pin, channel, contact, fuse, load and supply."""
    if not line.pin:
        return [
            _box(LOAD_X, y - 22, LOAD_W, 64),
            _text(LOAD_X + 12, y, line.name, bold=True),
            _text(LOAD_X + 12, y + 22, "dry: nothing real is switched", faint=True),
        ]
    on_when = "on while the pin is low" if line.active_low else "on while the pin is high"
    parts = [
        _text(PI_X + 12, y + 5, line.pin),
        _wire(PI_X + PI_W, y, RELAY_X, y),
        _text(PI_X + PI_W + 12, y - 8, "signal", faint=True),
        _wire(PI_X + PI_W, y + 20, RELAY_X, y + 20),
        *_signal_side(line, y),
        *_coil_side(y),
        _box(RELAY_X, y - 22, RELAY_W, 64),
        _text(RELAY_X + 12, y, f"relay for {line.name}", bold=True),
        _text(RELAY_X + 12, y + 19, on_when, faint=True),
        _text(RELAY_X + RELAY_W - 32, y - 6, "NO", faint=True),
        _text(RELAY_X + RELAY_W - 40, y + 38, "COM", faint=True),
        _box(LOAD_X, y - 22, LOAD_W, 64, fence=line.mains),
        _text(LOAD_X + 12, y, f"{line.name}, {line.kind}", bold=True),
        _text(LOAD_X + 12, y + 19, f"{line.supply}, {line.current_a:g} A", faint=True),
        *_circuit(line, y),
    ]  # fmt: skip
    if line.mains:
        parts.append(_text(LOAD_X + 12, y + 36, "MAINS: for a licensed electrician", colour=FENCE))
        module = f"only through {line.relay_module}"
        parts.append(_text(LOAD_X, y + 62, module, colour=FENCE))
    elif line.direct and line.kind in {"motor", "electromagnet"}:
        parts.append(_text(LOAD_X + 12, y + 36, "diode across it, band to plus", faint=True))
    return parts


def _signal_side(line: WiredLine, y: int) -> list[str]:
    """Draw the second wire of the signal and the resistor that holds the relay off.

    An active-low board with optocouplers takes 3.3 V at its signal supply and no 0 V of the Pi; an
    active-high one shares the Pi's 0 V. The resistor leads from the input to whichever means off.
    """
    pin, wire = (
        ("3.3 V (pin 1 or 17)", "3.3 V, signal supply")
        if line.active_low
        else ("0 V (any of 6, 9, 14, 20)", "0 V, shared")
    )
    at = RELAY_X - 22
    return [
        _text(PI_X + 12, y + 25, pin, faint=True),
        _text(PI_X + PI_W + 8, y + 36, wire, faint=True),
        _wire(at, y, at, y + 3),
        _body(at - 5, y + 3, 10, height=14),
        _wire(at, y + 17, at, y + 20),
        _text(at - 50, y + 14, "10 kΩ", faint=True),
    ]


def _coil_side(y: int) -> list[str]:
    """Draw the supply of the relay's coil, with a 0 V of its own."""
    left, right, top = RELAY_X + 40, RELAY_X + 120, y + 42
    return [
        _wire(left, top, left, top + 14),
        _wire(right, top, right, top + 14),
        _box(RELAY_X + 10, top + 14, RELAY_W - 30, 22),
        _text(RELAY_X + 18, top + 29, "5 V for coils, own 0 V", faint=True),
    ]


def _circuit(line: WiredLine, y: int) -> list[str]:
    """Draw the load's own circuit: supply, fuse, contact, load, and back."""
    contact, left, right, top = RELAY_X + RELAY_W, RELAY_X + RELAY_W + 70, LOAD_X - 40, y + 50
    plus, minus = ("+", "−") if line.direct else ("L", "N")
    return [
        _wire(contact, y, LOAD_X, y),
        _wire(contact, y + 28, left, y + 28),
        _wire(left, y + 28, left, top),
        _body(contact + 18, y + 20, 34),
        _wire(contact + 18, y + 28, contact + 52, y + 28),
        _text(contact + 20, y + 16, "fuse", faint=True),
        _wire(right, y + 28, LOAD_X, y + 28),
        _wire(right, y + 28, right, top),
        _box(left - 14, top, right - left + 28, 34, fence=line.mains),
        _text(left - 4, top + 14, plus, faint=True),
        _text(right - 6, top + 14, minus, faint=True),
        _text(left - 4, top + 29, line.supply, faint=True),
    ]


def _bus(plan: WiringPlan, y: int) -> list[str]:
    parts = [
        _text(PI_X + 12, y + 5, "3.3 V (pin 1 or 17)"),
        _text(PI_X + 12, y + 29, plan.bus_pin),
        _text(PI_X + 12, y + 53, "0 V", faint=True),
    ]
    parts += [_wire(PI_X + PI_W, y + off, LOAD_X, y + off) for off in (0, 24, 48)]
    middle = RELAY_X + 40
    parts += [
        _body(middle - 9, y + 4, 18),
        _wire(middle, y, middle, y + 4),
        _wire(middle, y + 20, middle, y + 24),
        _text(middle + 16, y + 17, "4.7 kΩ pull-up, once a bus", faint=True),
        _text(PI_X + PI_W + 12, y + 64, "three wires from probe to probe", faint=True),
        _box(LOAD_X, y - 22, LOAD_W, 34 + 22 * max(1, len(plan.probes))),
        _text(LOAD_X + 12, y, "1-Wire probes", bold=True),
    ]
    parts += [
        _text(LOAD_X + 12, y + 22 + 22 * index, f"{place}: {name}", faint=True)
        for index, (place, name) in enumerate(plan.probes)
    ]
    return parts


def _level(pin: str, y: int) -> list[str]:
    """Draw the level switch: between its line, which the Pi pulls up, and 0 V."""
    return [
        _text(PI_X + 12, y + 5, pin),
        _text(PI_X + 12, y + 29, "0 V", faint=True),
        _wire(PI_X + PI_W, y, LOAD_X, y),
        _wire(PI_X + PI_W, y + 24, LOAD_X, y + 24),
        _text(PI_X + PI_W + 12, y - 8, "no resistor: the Pi pulls it up", faint=True),
        _box(LOAD_X, y - 22, LOAD_W, 62),
        _text(LOAD_X + 12, y, "level switch", bold=True),
        _text(LOAD_X + 12, y + 19, "closed while there is water", faint=True),
        _text(LOAD_X + 12, y + 34, "a broken wire reads as empty", faint=True),
    ]


def _notes(plan: WiringPlan) -> list[str]:
    notes = [
        "Unplug everything before you touch a wire. Put each fuse close to its supply.",
        "Before a supply is connected: every load off from power-up until the service runs.",
        "Coils have a supply and a 0 V of their own; the jumper to the signal side is off.",
        "Only a board without optocouplers, mostly active-high, shares the Pi's 0 V, at one point.",
        "10 kΩ from each input to the level that means off: to 3.3 V if active-low, else to 0 V.",
        "Relays and supplies above the highest water; each cord with a drip loop.",
        "Every mains outlet of the chamber behind a residual-current device of 30 mA or less.",
    ]
    if any(line.mains for line in plan.lines):
        notes.append("Mains: have it wired by a licensed electrician under your local code.")
    return notes


def _opening(chamber: str, height: int) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'font-family="sans-serif" font-size="14" fill="{INK}" role="img" '
        f'aria-label="{_quoted(f"Wiring of {chamber}")}">'
    )


def _body(x: int, y: int, width: int, *, height: int = 16) -> str:
    """Return the body of a fuse or a resistor."""
    return (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="#ffffff" stroke="{INK}" '
        'stroke-width="1.5"/>'
    )


def _box(x: int, y: int, width: int, height: int, *, fence: bool = False) -> str:
    stroke = f'stroke="{FENCE}" stroke-width="3" stroke-dasharray="10 5"' if fence else (
        f'stroke="{INK}" stroke-width="1.5"'
    )  # fmt: skip
    return f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="6" fill="none" {stroke}/>'


def _wire(x1: int, y1: int, x2: int, y2: int) -> str:
    return f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke="{INK}" stroke-width="1.5"/>'


def _text(
    x: int,
    y: int,
    words: str,
    *,
    bold: bool = False,
    faint: bool = False,
    size: int | None = None,
    colour: str | None = None,
) -> str:
    more = ' font-weight="bold"' if bold else ""
    more += f' font-size="{size}"' if size else (' font-size="12"' if faint else "")
    more += f' fill="{colour or FAINT}"' if colour or faint else ""
    return f'<text x="{x}" y="{y}"{more}>{escape(words)}</text>'


def _quoted(words: str) -> str:
    return escape(words, {'"': "&quot;"})
