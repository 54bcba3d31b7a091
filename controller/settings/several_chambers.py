"""What must hold between the configurations of several chambers on one machine."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from controller.settings.cross_checks import overloaded
from controller.settings.load import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedChamber:
    """One configuration among others."""

    name: str
    """The file's name without its ending, which is the instance's."""
    settings: Settings
    lines: frozenset[str]
    """Hardware lines that its loads use."""

    @property
    def bus(self) -> frozenset[str]:
        """The line of its 1-Wire bus, which chambers may share, but no load may have."""
        if self.settings.probes.air.kind != "one-wire":
            return frozenset()
        return frozenset({f"gpio{self.settings.one_wire.pin}"})

    @property
    def level(self) -> frozenset[str]:
        """The line of its level switch, which only one process can read."""
        level = self.settings.inputs.level
        return frozenset() if level is None else frozenset({f"gpio{level.pin}"})


def side_by_side(chambers: Sequence[NamedChamber]) -> list[str]:
    """Return every problem between configurations, each with the names of both.

    Args:
        chambers: The configurations of one machine.
    """
    problems: list[str] = []
    for first, second in combinations(chambers, 2):
        for check in _PAIRS:
            problems += [
                f"{first.name} and {second.name}: {problem}" for problem in check(first, second)
            ]
    return problems + list(_supplies(chambers))


Check = Callable[[NamedChamber, NamedChamber], Iterator[str]]


def _names(first: NamedChamber, second: NamedChamber) -> Iterator[str]:
    if first.name == second.name:
        yield "found the same file name, allowed: one of its own; it names the state directory"
    chambers = first.settings.chamber.name, second.settings.chamber.name
    if chambers[0] == chambers[1]:
        yield f'chamber.name: found "{chambers[0]}" in both, allowed: names that people tell apart'


def _lines(first: NamedChamber, second: NamedChamber) -> Iterator[str]:
    for line in sorted(first.lines & second.lines):
        yield f"loads: found the line {line} in both, allowed: a line of its own for each load"
    ours, theirs = first.lines | first.level, second.lines | second.level
    for line in sorted((ours & second.level) | (first.level & theirs)):
        yield (
            f"inputs.level.pin: found the line {line}, which the other uses too, allowed: a line "
            "and a switch of its own"
        )
    for line in sorted((ours & second.bus) | (first.bus & theirs)):
        yield f"found the line {line}, the 1-Wire bus of the other, allowed: another line"


def _probes(first: NamedChamber, second: NamedChamber) -> Iterator[str]:
    """A probe hangs in one place; only the room may be the same for both."""
    there = {
        probe.id.lower(): place
        for place, probe in second.settings.probes.fitted().items()
        if probe.id is not None
    }
    for place, probe in first.settings.probes.fitted().items():
        other = None if probe.id is None else there.get(probe.id.lower())
        if other is not None and not place == other == "room":
            yield (
                f'probes.{place}.id: found "{probe.id}", which is probes.{other} of the other, '
                "allowed: a probe of its own; only the room may be shared"
            )


def _pages(first: NamedChamber, second: NamedChamber) -> Iterator[str]:
    ours, theirs = first.settings.lookout, second.settings.lookout
    if ours.port == theirs.port:
        yield (
            f"lookout.port: found {ours.port} in both, allowed: a port of its own, "
            f"such as {ours.port + 1}"
        )


def _records(first: NamedChamber, second: NamedChamber) -> Iterator[str]:
    path = first.settings.records.path
    if path is not None and path.startswith("/") and path == second.settings.records.path:
        yield f'records.path: found "{path}" in both, allowed: a file of its own'


_PAIRS: tuple[Check, ...] = (_names, _lines, _probes, _pages, _records)


def _supplies(chambers: Sequence[NamedChamber]) -> Iterator[str]:
    """A supply of one name is one supply: stated alike everywhere, and enough for all its loads."""
    rated: dict[str, dict[float, list[str]]] = defaultdict(lambda: defaultdict(list))
    currents: dict[str, list[float]] = defaultdict(list)
    for chamber in chambers:
        for name, supply in chamber.settings.supplies.items():
            rated[name][supply.current].append(chamber.name)
        for load in chamber.settings.loads.each().values():
            if load.fed_by is not None:
                currents[load.fed_by].append(load.current)
    for name, stated in rated.items():
        if len(stated) > 1:
            named = "; ".join(
                f"{current_a:g} A in {', '.join(where)}" for current_a, where in stated.items()
            )
            yield f"supplies.{name}: found {named}, allowed: one nameplate for one supply"
        elif sum(len(where) for where in stated.values()) > 1:
            yield from overloaded(name, next(iter(stated)), currents[name])
