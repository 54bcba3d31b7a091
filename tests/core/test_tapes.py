"""Whole days, decision by decision: a change of the law shows as a line that somebody must read.

`python -m tests.core.tapes_again` writes them anew, after a change that was meant.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.core.decide import begin, decide
from controller.domain.alarms import OUTSIDE_THE_LAW, AlarmName
from controller.domain.control_phase import Reason
from controller.domain.events import EventKind
from tests.core.tape import TAPES, lines, played
from tests.support.invariants import check_step

NOT_ON_TAPE = {
    "reservoir_empty", "probes_exchanged", "reservoir_probe_misplaced", "probe_unsteady",
    "cooling_while_off",
}  # fmt: skip
"""Alarms that the toy plant cannot bring about; `test_expectations` and `test_warming` do."""
FOLDER = Path(__file__).parent / "tapes"


@pytest.mark.parametrize("name", TAPES)
def test_a_day_is_decided_as_it_was(name: str) -> None:
    """To the word, from the first tick to the last."""
    kept = (FOLDER / f"{name}.txt").read_text(encoding="utf-8").splitlines()

    assert list(lines(TAPES[name])) == kept


@pytest.mark.parametrize("name", TAPES)
def test_a_quiet_tick_decides_what_a_fresh_look_would(name: str) -> None:
    """The last decision is returned only where working it out again would give the same."""
    tape = TAPES[name]
    fresh = begin(1000.0, last_stop=800.0)
    for now, inputs, decision in played(tape):
        before = fresh.cooling
        # without a window every tick is decided anew
        again = type(fresh)(
            cooling=fresh.cooling, alarms=fresh.alarms, recent=fresh.recent,
            expectations=fresh.expectations, decision=fresh.decision,
        )  # fmt: skip
        fresh, looked = decide(again, inputs, now, tape.law)
        assert looked == decision, now
        check_step(before, inputs, fresh.cooling, now, tape.law)


def test_the_tapes_between_them_meet_everything() -> None:
    """Every phase, alarm and reason but those of a level input and of first readings."""
    phases, reasons, raised, cleared, trips = set(), set(), set(), set(), set()
    for tape in TAPES.values():
        for _, _, decision in played(tape):
            phases.add(decision.phase.value)
            reasons.add(decision.reason.name)
            for event in decision.events:
                {
                    EventKind.RAISED: raised,
                    EventKind.CLEARED: cleared,
                    EventKind.TRIP: trips,
                }.get(event.kind, set()).add(event.name)
    assert phases == {"rest", "held", "prime", "cool", "run_on", "fallback", "lockout"}
    assert reasons == {reason.name for reason in Reason} - {"RESERVOIR_EMPTY", "FIRST_READINGS"}
    judged = {name.value for name in set(AlarmName) - OUTSIDE_THE_LAW}
    assert raised == judged - NOT_ON_TAPE
    assert cleared >= raised
    assert {"low_limit", "reservoir_warm", "paused", "output_failed", "air_lost"} <= trips
