"""Find an output driver by its name, wherever it was installed from.

A driver is an entry point of the group ``coldpin.outputs`` that names a class built without
arguments. Only the driver asked for is imported: a broken neighbour harms nobody else.
"""

from __future__ import annotations

from difflib import get_close_matches
from importlib.metadata import EntryPoint, entry_points
from typing import cast

from controller.errors import OutputError, UnknownDriverError
from controller.outputs.protocol import OUTPUT_GROUP, OutputDriver

_METHODS = ("problems", "lines", "describe", "open")


def known_drivers() -> tuple[str, ...]:
    """Return the names of all installed drivers, sorted, without importing any."""
    return tuple(sorted({entry.name for entry in entry_points(group=OUTPUT_GROUP)}))


def find_driver(name: str) -> OutputDriver:
    """Return the driver registered as *name*, newly built.

    Args:
        name: The name as the load's ``driver`` key gives it.

    Raises:
        UnknownDriverError: No driver, or more than one, is registered under *name*.
        OutputError: The driver cannot be imported or built, or is not a driver at all.
    """
    matches = [entry for entry in entry_points(group=OUTPUT_GROUP) if entry.name == name]
    if not matches:
        raise UnknownDriverError(_unknown(name))
    if len(matches) > 1:
        owners = ", ".join(sorted(_owner(entry) for entry in matches))
        raise UnknownDriverError(
            f"driver: found {len(matches)} drivers named {name!r} (from {owners}), "
            "allowed: exactly one; uninstall the others"
        )
    return _build(matches[0])


def _build(entry: EntryPoint) -> OutputDriver:
    where = f"driver: found {entry.name!r} ({entry.value} from {_owner(entry)})"
    try:
        driver = entry.load()()
    except Exception as error:
        raise OutputError(
            f"{where}, which cannot be loaded: {type(error).__name__}: {error}; repair or "
            "reinstall that package"
        ) from error
    try:
        _require_protocol(driver)
    except AttributeError as error:
        raise OutputError(
            f"{where}, which is not an output driver: {error}; allowed: what offers all of "
            "controller.outputs.protocol.OutputDriver"
        ) from error
    return cast("OutputDriver", driver)


def _require_protocol(driver: object) -> None:
    """Look at every member, so that a gap shows at the start and not at the first switch.

    Raises:
        AttributeError: A member is missing or is not of its kind.
    """
    missing = [name for name in _METHODS if not callable(getattr(driver, name, None))]
    # not merely truthy: a driver that says hardware = "no" must not pass for either
    if getattr(driver, "hardware", None) not in (True, False):
        missing.insert(0, "hardware (True or False)")
    if missing:
        raise AttributeError(f"it lacks {', '.join(missing)}")


def _unknown(name: str) -> str:
    known = known_drivers()
    near = get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    return (
        f"driver: found {name!r}, which no installed package provides, "
        f"allowed: {', '.join(known) or 'none is installed'}; "
        f"{hint or 'correct the name, or install the package that brings it'}".rstrip()
    )


def _owner(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else "an unnamed package"
