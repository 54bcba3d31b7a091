"""What goes wrong in a rehearsal, by the scenario, and when it next begins or ends."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller.settings.scenario_file import FaultScript


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong at an instant."""

    power: bool
    flow: float
    """Share of the pump's water that moves."""
    dead: frozenset[str]
    """Probes that answer with nothing."""


class Faults:
    """The faults of a scenario; instants are seconds since the start."""

    def __init__(self, scripts: Sequence[FaultScript]) -> None:
        self._scripts = tuple(scripts)
        self._bled: set[int] = set()

    def at(self, at_s: float) -> Trouble:
        """Return what is wrong at an instant."""
        kinds = {script.kind for script in self._standing(at_s)}
        return Trouble(
            power="power_cut" not in kinds,
            flow=0.0 if "lost_prime" in kinds else 1.0,
            dead=frozenset(
                script.probe
                for script in self._standing(at_s)
                if script.kind == "dead_probe" and script.probe is not None
            ),
        )

    def next_change(self, at_s: float) -> float:
        """Return when the next fault begins or ends after an instant; infinite: never."""
        return min(
            (
                edge
                for script in self._scripts
                for edge in (script.at, script.at + script.lasts)
                if edge > at_s
            ),
            default=math.inf,
        )

    def bleed(self, at_s: float) -> None:
        """End every lost prime that has begun by an instant: a person has bled the pump."""
        self._bled |= {
            number
            for number, script in enumerate(self._scripts)
            if script.kind == "lost_prime" and script.at <= at_s
        }

    def _standing(self, at_s: float) -> Iterator[FaultScript]:
        return (
            script
            for number, script in enumerate(self._scripts)
            if script.at <= at_s < script.at + script.lasts and number not in self._bled
        )
