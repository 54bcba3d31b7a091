"""Which alarms are judged again: all that depend on what has changed, by name and by bit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import (
    CONDITIONS,
    READ_BY_CONDITIONS,
    changes_since,
    rows_reading,
)
from controller.core.decide import begin
from controller.core.memory import HOUR_S, SWINGS, Expectations, Loss, Recent
from controller.core.state import AlarmContext
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Lost, Seen
from tests.support.laws import make_inputs, make_law

STATE = begin(1000.0)
BEFORE = AlarmContext(
    cooling=STATE.cooling,
    recent=STATE.recent,
    expectations=STATE.expectations,
    inputs=make_inputs(16.0, 4.0),
    now=1000.0,
    law=make_law(),
)
SEEN = replace(BEFORE.inputs, room=Seen(20_000), coil_outlet=Seen(9_000))
BEFORE = replace(BEFORE, inputs=SEEN)
GONE = Lost("no answer")
OTHERWISE = {
    "air": replace(BEFORE, inputs=replace(SEEN, air=Seen(17_000))),
    "reservoir": replace(BEFORE, inputs=replace(SEEN, reservoir=Seen(5_000))),
    "air_answers": replace(BEFORE, inputs=replace(SEEN, air=GONE)),
    "reservoir_answers": replace(BEFORE, inputs=replace(SEEN, reservoir=GONE)),
    "room_answers": replace(BEFORE, inputs=replace(SEEN, room=GONE)),
    "coil_outlet_answers": replace(BEFORE, inputs=replace(SEEN, coil_outlet=None)),
    "level": replace(BEFORE, inputs=replace(SEEN, level=False)),
    "swap_due": replace(BEFORE, inputs=replace(SEEN, swap_due=True)),
    "output_fault": replace(BEFORE, inputs=replace(SEEN, output_fault="pump")),
    "records_fault": replace(BEFORE, inputs=replace(SEEN, records_fault="full")),
    "starts": replace(BEFORE, recent=Recent(since=1000.0, starts=(1000.0,))),
    "trips": replace(BEFORE, recent=Recent(since=1000.0, trips=(1000.0,))),
    "losses": replace(BEFORE, recent=Recent(since=1000.0, losses=(Loss(1000.0, "air", True),))),
    "cooling_while_off": replace(BEFORE, expectations=Expectations(cooling_while_off=True)),
    "probe_misplaced": replace(BEFORE, expectations=Expectations(against_nature=SWINGS)),
    "flow_suspect": replace(BEFORE, cooling=BEFORE.cooling._replace(flow_suspect=True)),
    "overran": replace(BEFORE, cooling=BEFORE.cooling._replace(overran=True)),
}
COMES_WITH = {"air_answers": {"air"}, "reservoir_answers": {"reservoir"}}
"""A probe that stops answering has another reading too."""


def changed_with(name: str) -> set[str]:
    """Return what changes with a name, itself included."""
    return {name} | COMES_WITH.get(name, set())


def names(changes: int) -> set[str]:
    """Return what a mask says."""
    return {name for bit, name in enumerate(READ_BY_CONDITIONS) if changes >> bit & 1}


@pytest.mark.parametrize("name", READ_BY_CONDITIONS)
def test_one_change_is_one_bit(name: str) -> None:
    changed = names(changes_since(BEFORE, OTHERWISE[name]))
    assert changed == changed_with(name)


def test_nothing_changed_and_a_whole_hour_that_is_over() -> None:
    """Time alone changes no side before the first hour is over, and then those by counts."""
    assert changes_since(BEFORE, replace(BEFORE, now=1000.0 + HOUR_S - 1.0)) == 0
    over = names(changes_since(BEFORE, replace(BEFORE, now=1000.0 + HOUR_S)))
    assert over == {"starts", "trips", "losses"}


def test_losses_are_judged_again_with_the_starts_that_they_are_held_against() -> None:
    """Whether a probe is lost with the pump alone hangs on how often the pump has started."""
    losses = tuple(Loss(1000.0, "air", True) for _ in range(9))
    once = replace(BEFORE, recent=Recent(since=1000.0, starts=(1000.0,), losses=losses))
    twice = replace(once, recent=once.recent._replace(starts=(1000.0, 1600.0)))
    assert names(changes_since(once, twice)) == {"starts", "losses"}
    noise = next(row for row in CONDITIONS if row.name is AlarmName.PUMP_NOISE)
    assert noise.side(once) is not noise.side(twice)


def test_every_row_is_judged_for_what_it_reads() -> None:
    """No name is misspelt, and no side is another one while nothing that its row reads changed."""
    for at, row in enumerate(CONDITIONS):
        assert set(row.reads) <= set(READ_BY_CONDITIONS)
        assert row.reads
        for bit, name in enumerate(READ_BY_CONDITIONS):
            assert (at in rows_reading(1 << bit)) is (name in row.reads)
            if not changed_with(name) & set(row.reads):
                assert row.side(BEFORE) is row.side(OTHERWISE[name]), (row.name, name)
    air_high = [row.name for row in CONDITIONS].index(AlarmName.AIR_HIGH)
    assert air_high in rows_reading(0b11)
