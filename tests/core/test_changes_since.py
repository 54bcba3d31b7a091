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
from controller.core.memory import HOUR_S, Expectations, Recent
from controller.core.state import AlarmContext
from controller.domain.alarms import AlarmName
from controller.domain.temperatures import Seen
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
OTHERWISE = {
    "air": replace(BEFORE, inputs=replace(BEFORE.inputs, air=Seen(17_000))),
    "reservoir": replace(BEFORE, inputs=replace(BEFORE.inputs, reservoir=Seen(5_000))),
    "room": replace(BEFORE, inputs=replace(BEFORE.inputs, room=Seen(21_000))),
    "coil_outlet": replace(BEFORE, inputs=replace(BEFORE.inputs, coil_outlet=Seen(6_000))),
    "level": replace(BEFORE, inputs=replace(BEFORE.inputs, level=False)),
    "swap_due": replace(BEFORE, inputs=replace(BEFORE.inputs, swap_due=True)),
    "output_fault": replace(BEFORE, inputs=replace(BEFORE.inputs, output_fault="pump")),
    "records_fault": replace(BEFORE, inputs=replace(BEFORE.inputs, records_fault="full")),
    "last_hour": replace(BEFORE, recent=Recent(since=1000.0, starts=(1000.0,))),
    "expectations": replace(BEFORE, expectations=Expectations(cooling_while_off=True)),
    "flow_suspect": replace(BEFORE, cooling=BEFORE.cooling._replace(flow_suspect=True)),
    "overran": replace(BEFORE, cooling=BEFORE.cooling._replace(overran=True)),
}


def names(changes: int) -> set[str]:
    """Return what a mask says."""
    return {name for bit, name in enumerate(READ_BY_CONDITIONS) if changes >> bit & 1}


@pytest.mark.parametrize("name", READ_BY_CONDITIONS)
def test_one_change_is_one_bit(name: str) -> None:
    assert names(changes_since(BEFORE, OTHERWISE[name])) == {name}


def test_nothing_changed_and_a_whole_hour_that_is_over() -> None:
    """Time alone changes no side before the first hour is over, and then those by counts."""
    assert changes_since(BEFORE, replace(BEFORE, now=1000.0 + HOUR_S - 1.0)) == 0
    assert names(changes_since(BEFORE, replace(BEFORE, now=1000.0 + HOUR_S))) == {"last_hour"}


def test_every_row_is_judged_for_what_it_reads() -> None:
    """No name is misspelt, and no side is another one while nothing that its row reads changed."""
    for at, row in enumerate(CONDITIONS):
        assert set(row.reads) <= set(READ_BY_CONDITIONS)
        assert row.reads
        for bit, name in enumerate(READ_BY_CONDITIONS):
            assert (at in rows_reading(1 << bit)) is (name in row.reads)
            if name not in row.reads:
                assert row.side(BEFORE) is row.side(OTHERWISE[name]), (row.name, name)
    air_high = [row.name for row in CONDITIONS].index(AlarmName.AIR_HIGH)
    assert air_high in rows_reading(0b11)
