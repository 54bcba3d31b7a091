"""The transition table of the phases: which may follow which, and when.

The rules themselves are in `phases`; this is what they come to. A test explores every reachable
state and holds the steps it meets against these rows, both ways.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller.domain.control_phase import Phase


@dataclass(frozen=True, slots=True)
class Transition:
    """One step that the law can take."""

    before: Phase
    after: Phase
    when: str


OUTPUTS: dict[Phase, frozenset[tuple[bool, bool]]] = {
    Phase.REST: frozenset({(False, False)}),
    Phase.HELD: frozenset({(False, False)}),
    Phase.PRIME: frozenset({(True, False)}),
    Phase.COOL: frozenset({(True, True)}),
    Phase.RUN_ON: frozenset({(False, True)}),
    Phase.LOCKOUT: frozenset({(False, False)}),
    Phase.FALLBACK: frozenset({(False, False), (True, False), (True, True), (False, True)}),
}
"""Pump and fan in each phase. In the fallback they go by the clock, or are both off."""

_TRIP = "trip"
_START = "the air calls, nothing forbids a start"
_NO_PRIME = f"{_START}, and the prime time is zero"
_FORBIDDEN = "the air calls, something forbids a start"
_AIR_LOST = "the air probe is lost: pump and fan off at once"
_AIR_BACK = "the air probe is back"

TRANSITIONS: tuple[Transition, ...] = (
    Transition(Phase.REST, Phase.PRIME, _START),
    Transition(Phase.REST, Phase.COOL, _NO_PRIME),
    Transition(Phase.REST, Phase.HELD, _FORBIDDEN),
    Transition(Phase.HELD, Phase.PRIME, "nothing forbids the start any more"),
    Transition(Phase.HELD, Phase.COOL, "the same, and the prime time is zero"),
    Transition(Phase.HELD, Phase.REST, "the call ends"),
    Transition(Phase.PRIME, Phase.COOL, "the prime time is over"),
    Transition(Phase.PRIME, Phase.HELD, f"{_TRIP} while the air calls"),
    Transition(Phase.PRIME, Phase.REST, f"{_TRIP}, or the call ends after the shortest run"),
    Transition(Phase.COOL, Phase.RUN_ON, "no call and the minimum run is over"),
    Transition(Phase.COOL, Phase.REST, f"{_TRIP} without a call, or a planned stop, no run-on"),
    Transition(Phase.COOL, Phase.HELD, f"{_TRIP} while the air calls, unproved flow included"),
    Transition(Phase.COOL, Phase.LOCKOUT, "no flow is proved and no try is left"),
    Transition(Phase.RUN_ON, Phase.REST, "the run-on time is over, or a trip without a call"),
    Transition(Phase.RUN_ON, Phase.HELD, "the same while the air calls"),
    Transition(Phase.RUN_ON, Phase.PRIME, "the run-on ends as the pump may start again"),
    Transition(Phase.RUN_ON, Phase.COOL, "the same, and the prime time is zero"),
    Transition(Phase.LOCKOUT, Phase.REST, "its time is over or a person resets it: no call"),
    Transition(Phase.LOCKOUT, Phase.HELD, "the same while something forbids a start"),
    Transition(Phase.LOCKOUT, Phase.PRIME, "the same while nothing forbids a start"),
    Transition(Phase.LOCKOUT, Phase.COOL, "the same, and the prime time is zero"),
    Transition(Phase.LOCKOUT, Phase.FALLBACK, "the same while the air probe is lost"),
    *(
        Transition(phase, Phase.FALLBACK, _AIR_LOST)
        for phase in Phase
        if phase not in {Phase.LOCKOUT, Phase.FALLBACK}
    ),
    Transition(Phase.FALLBACK, Phase.REST, f"{_AIR_BACK}, the pump off, no call"),
    Transition(Phase.FALLBACK, Phase.HELD, f"{_AIR_BACK}, the pump off, a start forbidden"),
    Transition(Phase.FALLBACK, Phase.PRIME, f"{_AIR_BACK}, the pump on or to be started"),
    Transition(Phase.FALLBACK, Phase.COOL, f"{_AIR_BACK}, pump and fan on"),
    Transition(Phase.FALLBACK, Phase.RUN_ON, f"{_AIR_BACK}, only the fan on"),
)
"""Every step from one phase to another."""
