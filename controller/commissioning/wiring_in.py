"""Find out which probe and which relay is which, and put ids and pins into a configuration.

Effects come in as functions: what a person answers, what the probes read, and the trial of a load.
The file holds the pins before a load is switched on, so that `coldpin off` knows them.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from controller.domain.reading_rows import PROBE_NAMES, place_words
from controller.outputs.header import caution, line_number
from controller.settings.models import OneWire
from controller.settings.toml_edit import Path, Scalar, with_values, without_table

USUAL_PINS = {"pump": 5, "fan": 6}
"""Lines with a pull-up at reset: an active-low board stays off until the service has the pins."""
COMPULSORY = ("air", "reservoir")
ON_WHILE_OFF = "on while it should be off"
"""How the trial of a load begins what it says of the wrong polarity."""
MOST_TRIALS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What finding out needs of the world."""

    ask: Callable[[str, str], str]
    """Question and usual answer; returns what the person answers."""
    confirm: Callable[[str, bool], bool]
    """Question and usual answer, for yes or no."""
    say: Callable[[str], object]
    warmed: Callable[[tuple[str, ...]], str]
    """Waits until one of these probes warms, and returns its id."""
    write: Callable[[str], object]
    """Judges the text of the configuration and writes it."""
    try_load: Callable[[str], str | None]
    """Tries a load of the written configuration; what is wrong with it, None: nothing."""


def probes_in(text: str, ids: tuple[str, ...], bench: Bench) -> str:
    """Return the configuration with the probes that a person identified by warming them.

    Args:
        text: The configuration.
        ids: Probes on the bus.
        bench: What it needs of the world.
    """
    left = list(ids)
    for place in PROBE_NAMES:
        is_fitted = bool(left) and (
            place in COMPULSORY
            or bench.confirm(f"Is there a probe for {place_words(place)}?", True)
        )
        if not is_fitted:
            if place not in COMPULSORY:
                text = without_table(text, ("probes", place))
            continue
        probe_id = left[0]
        if len(left) > 1:
            bench.say(
                f"Hold the {place_words(place)} probe in your hand until it is recognised ..."
            )
            probe_id = bench.warmed(tuple(left))
        bench.say(f"{place_words(place)}: {probe_id}")
        left.remove(probe_id)
        keys: dict[str, Scalar] = {"kind": "one-wire", "id": probe_id}
        text = with_values(text, _in_table(("probes", place), keys))
    return text


def pins_in(text: str, bench: Bench) -> str:
    """Return the configuration with the lines of pump and fan as a person gives them.

    Enter keeps what the file says of a relay on the header. A line that the probes' bus, the level
    switch or another load uses is not taken.
    """
    loads = tomllib.loads(text).get("loads", {})
    wired = {load: loads[load] for load in USUAL_PINS if _on_header(loads.get(load, {}))}
    taken = _taken(text)
    pins: dict[str, int] = {}
    for load, usual in USUAL_PINS.items():
        given = wired[load]["pin"] if load in wired else usual
        while load not in pins:
            answer = bench.ask(f"To which GPIO line goes the relay of the {load}?", str(given))
            try:
                line = line_number(int(answer) if answer.isascii() and answer.isdigit() else answer)
            except ValueError as error:
                bench.say(f"{error}.")
                continue
            if line in taken:
                bench.say(f"GPIO{line} is the line of {taken[line]}: take another one.")
                continue
            pins[load] = line
            taken[line] = f"the {load}"
    usually_low = all(load.get("active_low", False) for load in wired.values())
    low = bench.confirm(
        "Do the relays pull in on a low input (most boards with lamps do)?", usually_low
    )
    for load, line in pins.items():
        text = _wired(text, load, line, active_low=low)
        if (unsuited := caution(line, active_low=low)) is not None:
            bench.say(f"{load}: {unsuited}.")
    return text


def _on_header(load: Mapping[str, Any]) -> bool:
    return load.get("driver") == "gpio" and "pin" in load


def _taken(text: str) -> dict[int, str]:
    """Return the lines that something else than pump and fan uses, and what that is."""
    tables = tomllib.loads(text)
    taken = {int(tables.get("one_wire", {}).get("pin", OneWire().pin)): "the probes' bus"}
    level = tables.get("inputs", {}).get("level", {})
    if "pin" in level:
        taken[int(level["pin"])] = "the level switch"
    for name, load in tables.get("loads", {}).items():
        if name not in USUAL_PINS and _on_header(load):
            taken[line_number(load["pin"])] = f"the {name}"
    return taken


def _wired(text: str, load: str, line: int, *, active_low: bool) -> str:
    keys: dict[str, Scalar] = {"driver": "gpio", "pin": line, "active_low": active_low}
    return with_values(text, _in_table(("loads", load), keys))


def _in_table(table: Path, keys: Mapping[str, Scalar]) -> dict[Path, Scalar | None]:
    return {(*table, key): value for key, value in keys.items()}


def try_relays(text: str, lines: Mapping[str, int], low: bool, bench: Bench) -> tuple[str, bool]:
    """Try each load, put polarity and exchanged relays right, and return the text and success.

    Args:
        text: The configuration as it was written.
        lines: Line of each load.
        low: Whether the board is active-low.
        bench: What it needs of the world.
    """
    pins, polarity = dict(lines), dict.fromkeys(lines, low)
    for _ in range(MOST_TRIALS):
        trials = {load: bench.try_load(load) for load in pins}
        wrong = {load: trouble for load, trouble in trials.items() if trouble is not None}
        if not wrong:
            return text, True
        for load, trouble in wrong.items():
            bench.say(f"{load}: {trouble}")
        inverted = [load for load in wrong if wrong[load].startswith(ON_WHILE_OFF)]
        if inverted:
            if not bench.confirm(f"Turn active_low round for {' and '.join(inverted)}?", True):
                return text, False
            for load in inverted:
                polarity[load] = not polarity[load]
        elif bench.confirm("Did the other load run instead?", True):
            # the polarity is the relay's, so it goes with the line
            pins = {"pump": pins["fan"], "fan": pins["pump"]}
            polarity = {"pump": polarity["fan"], "fan": polarity["pump"]}
        else:
            return text, False
        for load, line in pins.items():
            text = _wired(text, load, line, active_low=polarity[load])
        bench.write(text)
    return text, False
