"""What the boot settings of a Raspberry Pi must hold for a chamber, and what they lack.

Source: Raspberry Pi documentation, config.txt (``dtoverlay=w1-gpio``, ``gpio=``), and Raspberry
Pi's white paper "GPIO Usage on Raspberry Pi Devices" (``strict_gpiod``).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

PROBE_PIN = 4
"""Where the 1-Wire overlay puts the bus unless it is configured otherwise."""
HEADING = "# coldpin: probes' bus, and loads off from boot on"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """A line that a load hangs on."""

    number: int
    active_low: bool

    @property
    def line(self) -> str:
        """The setting that keeps the load off until a program takes the line."""
        return f"gpio={self.number}=op,{'dh' if self.active_low else 'dl'}"


def pins_of(configuration: str) -> list[Pin]:
    """Return the lines of a configuration's loads that hang on the Pi itself, each once.

    A configuration that is no TOML, or has no loads that can be understood, has none: `coldpin
    check` judges it.
    """
    try:
        loads = tomllib.loads(configuration).get("loads", {})
    except tomllib.TOMLDecodeError:
        return []
    pins = {}
    for load in loads.values() if isinstance(loads, dict) else ():
        pin = load.get("pin") if isinstance(load, dict) else None
        if isinstance(pin, int) and load.get("driver") == "gpio":
            pins[pin] = Pin(number=pin, active_low=bool(load.get("active_low", False)))
    return [pins[pin] for pin in sorted(pins)]


def missing_lines(settings: str, pins: list[Pin]) -> list[str]:
    """Return the lines that the boot settings lack.

    Args:
        settings: Their text now.
        pins: The loads' lines.
    """
    lines = [line.split("#")[0].strip() for line in settings.splitlines()]
    wanted = []
    if not any(line.startswith("dtoverlay=w1-gpio") for line in lines):
        wanted.append(f"dtoverlay=w1-gpio,gpiopin={PROBE_PIN}")
    if "dtparam=strict_gpiod" not in lines:
        wanted.append("dtparam=strict_gpiod")
    return wanted + [pin.line for pin in pins if pin.line not in lines]


def with_lines(settings: str, lines: list[str]) -> str:
    """Return the boot settings with lines added at their end, for every model of Pi."""
    return f"{settings.rstrip()}\n\n[all]\n{HEADING}\n" + "".join(f"{line}\n" for line in lines)
