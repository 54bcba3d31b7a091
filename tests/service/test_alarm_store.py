"""The file of standing alarms: kept, read again, damaged, of another release."""

from __future__ import annotations

from pathlib import Path

from controller.core.decide import begin, decide
from controller.core.state import Asked
from controller.domain.alarms import Alarm, AlarmName
from controller.domain.places import KEPT_ALARMS
from controller.service.alarm_store import AlarmStore
from controller.service.kept_timers import begin_from
from tests.support.laws import make_inputs, make_law

HOT = (Alarm(name="air_high", acknowledged=True),)


def test_a_restart_takes_up_the_alarms_that_stood(tmp_path: Path) -> None:
    """With what people have seen; nothing is raised a second time."""
    law, store = make_law(raise_s=0), AlarmStore(tmp_path)
    assert store.standing() == ()
    state, _ = decide(begin(0.0), make_inputs(19.5), 1.0, law)
    store.keep(state)
    seen = make_inputs(19.5, asked=Asked(acknowledge=(AlarmName.AIR_HIGH,)))
    state, _ = decide(state, seen, 2.0, law)
    store.keep(state)
    store.close()

    again = AlarmStore(tmp_path)
    standing = again.standing()
    again.close()
    assert standing == HOT
    state = begin_from(None, boot="b", ahead_s=0.0, now=500.0, alarms=standing)
    _, decision = decide(state, make_inputs(19.5), 501.0, law)
    assert not any(event.kind.value == "alarm_raised" for event in decision.events)


def test_a_damaged_file_is_no_alarm_and_is_replaced(tmp_path: Path) -> None:
    """Nothing is believed of it; the next alarms overwrite it."""
    for damaged in (b"", b"{", b"[]", b'{"alarms": [{"name": 3}]}', b"\xff\xfe"):
        (tmp_path / KEPT_ALARMS).write_bytes(damaged)
        store = AlarmStore(tmp_path)
        assert store.standing() == ()
        store.keep(begin(0.0, alarms=HOT))
        store.close()
        again = AlarmStore(tmp_path)
        assert again.standing() == HOT
        again.close()


def test_a_file_of_a_later_release_is_left_alone(tmp_path: Path) -> None:
    """It is not damage."""
    later = b'{"format": 2, "alarms": "otherwise"}'
    (tmp_path / KEPT_ALARMS).write_bytes(later)
    store = AlarmStore(tmp_path)
    assert store.standing() == ()
    store.keep(begin(0.0, alarms=HOT))
    store.close()

    assert (tmp_path / KEPT_ALARMS).read_bytes() == later
