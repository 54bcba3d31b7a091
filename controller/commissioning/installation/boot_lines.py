"""What the boot settings of a Raspberry Pi must hold for a chamber, and what they lack.

Source: Raspberry Pi documentation, config.txt (``dtoverlay=w1-gpio``, ``gpio=``), and Raspberry
Pi's white paper "GPIO Usage on Raspberry Pi Devices" (``strict_gpiod``).
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from controller.outputs.header import PIN_OF_LINE, line_number

PROBE_PIN = 4
"""Where the 1-Wire overlay puts the bus unless it is configured otherwise."""
_LAST_PIN = max(PIN_OF_LINE)
_GPIO_LINE = re.compile(r"gpio=(?P<pins>[0-9]+(?:-[0-9]+)?(?:,[0-9]+(?:-[0-9]+)?)*)=(?P<state>.+)")
HEADING = "# coldpin: probes' bus, and loads off from boot on"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """A line that a load hangs on."""

    number: int
    active_low: bool

    @property
    def off(self) -> tuple[str, str]:
        """What the boot settings must say of it: an output, at the level that means off."""
        return "op", "dh" if self.active_low else "dl"

    @property
    def line(self) -> str:
        """The setting that keeps the load off until a program takes the line."""
        return f"gpio={self.number}={','.join(self.off)}"


def pins_of(configuration: str) -> list[Pin]:
    """Return the lines of a configuration's loads that hang on the Pi itself, each once.

    A configuration that is no TOML, or has no loads that can be understood, has none: `coldpin
    check` judges it.
    """
    pins = {}
    for load in _tables(_table(configuration, "loads")):
        if load.get("driver") != "gpio":
            continue
        with contextlib.suppress(ValueError):
            number = line_number(load.get("pin"))
            pins[number] = Pin(number=number, active_low=bool(load.get("active_low", False)))
    return [pins[pin] for pin in sorted(pins)]


def probe_pin_of(configuration: str) -> int | None:
    """Return the line that a configuration gives the probes' bus, None where it gives none."""
    pin = _table(configuration, "one_wire").get("pin")
    return pin if isinstance(pin, int) else None


def _table(configuration: str, name: str) -> dict[str, Any]:
    try:
        table = tomllib.loads(configuration).get(name, {})
    except tomllib.TOMLDecodeError:
        return {}
    return table if isinstance(table, dict) else {}


def _tables(table: dict[str, Any]) -> list[dict[str, Any]]:
    return [each for each in table.values() if isinstance(each, dict)]


def missing_lines(settings: str, pins: list[Pin], probe_pins: Collection[int] = ()) -> list[str]:
    """Return the lines that the boot settings lack.

    Args:
        settings: Their text now.
        pins: The loads' lines.
        probe_pins: Lines of the probes' buses, as configurations give them. Where none does, any
            bus will do.
    """
    lines = [line.split("#")[0].strip() for line in settings.splitlines()]
    buses = [_bus_pin(line) for line in lines if line.startswith("dtoverlay=w1-gpio")]
    wanted = [
        f"dtoverlay=w1-gpio,gpiopin={pin}"
        for pin in (sorted(probe_pins) or ([] if buses else [PROBE_PIN]))
        if pin not in buses
    ]
    parameters = [line.partition("=")[2].split(",") for line in lines if _sets(line, "dtparam")]
    if not any({"strict_gpiod", "strict_gpiod=on"} & set(each) for each in parameters):
        wanted.append("dtparam=strict_gpiod")
    driven = _driven(lines)
    return wanted + [
        pin.line for pin in pins if not driven.get(pin.number, set()).issuperset(pin.off)
    ]


def _sets(line: str, setting: str) -> bool:
    return line.partition("=")[0].strip() == setting


def _bus_pin(line: str) -> int:
    found = re.search(r",gpiopin=([0-9]+)", line)
    return int(found[1]) if found else PROBE_PIN


def _driven(lines: list[str]) -> dict[int, set[str]]:
    """Return how the ``gpio=`` lines leave each pin, such as ``op`` and ``dh``: the last decides.

    Such a line names one pin, several, or a range, as in ``gpio=5,6,20-22=op,dh``.
    """
    driven: dict[int, set[str]] = {}
    for line in lines:
        match = _GPIO_LINE.fullmatch(line)
        if match is None:
            continue
        for part in match["pins"].split(","):
            first, _, last = part.partition("-")
            for pin in range(int(first), min(int(last or first), _LAST_PIN) + 1):
                driven[pin] = {word.strip() for word in match["state"].split(",")}
    return driven


def with_lines(settings: str, lines: list[str]) -> str:
    """Return the boot settings with lines added at their end, for every model of Pi."""
    return f"{settings.rstrip()}\n\n[all]\n{HEADING}\n" + "".join(f"{line}\n" for line in lines)
