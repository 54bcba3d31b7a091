"""Rule 12: air that warms more slowly than this chamber's air does, while the pump is off.

No source but rehearsed plants: `python -m tests.benchmarks.expectations`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.core.decide import begin, decide
from controller.core.memory import Warming, WarmingLine
from controller.core.state import AirMark, Asked, Evidence, Inputs
from controller.core.warming import (
    LEARNED_BLOCKS,
    SLOW_BLOCKS,
    SOUND_BLOCKS,
    expected_speed_k_h,
    warming_after,
)
from controller.domain.alarms import AlarmName
from controller.domain.events import EventKind
from tests.support.laws import make_inputs, make_law, reading

LAW = make_law(raise_s=0, clear_s=0, anti_short_cycle_s=60, minimum_run_s=60)
TICK_S = 10.0
COOLING_K_H = 8.0
NAME = AlarmName.COOLING_WHILE_OFF
NOTHING = Warming()
Speed = Callable[[float], float]
"""How fast the resting air warms [K/h], by how much warmer the room is [K]."""


def usual(excess_k: float) -> float:
    """A chamber that comes to rest two kelvin below its room."""
    return 0.8 * (excess_k - 2.0)


def share(of_it: float) -> Speed:
    """Return a resting chamber from which something takes the rest of the heat."""
    return lambda excess_k: of_it * usual(excess_k)


class Plant:
    """A toy chamber under the law: the air rises at rest by a given speed, and falls in a run."""

    def __init__(self) -> None:
        self.state, self.at, self.air_c = begin(0.0), 0.0, 16.0
        self.events: list[tuple[float, str]] = []
        self.evidence: list[Evidence | None] = []

    def live(
        self, hours: float, speed: Speed, *, room_c: float = 25.0, room_probe: bool | None = True,
        acknowledge: bool = False,
    ) -> list[str]:  # fmt: skip
        """Go on for some hours; return what the alarm did in them. Room probe None: it is lost."""
        before, until = len(self.events), self.at + hours * 3600.0
        asked = Asked(acknowledge=(NAME,)) if acknowledge else None
        while self.at < until:
            self.at += TICK_S
            pump = self.state.cooling.pump
            self.air_c += (-COOLING_K_H if pump else speed(room_c - self.air_c)) * TICK_S / 3600.0
            room = None if room_probe is False else reading(room_c if room_probe else None)
            inputs = make_inputs(self.air_c, 4.0, room=room)
            if asked is not None:
                inputs, asked = replace(inputs, asked=asked), None
            self.state, decision = decide(self.state, inputs, self.at, LAW)
            for event in decision.events:
                if event.name == NAME.value and event.kind is not EventKind.ACKNOWLEDGED:
                    self.events.append((self.at, event.kind.value))
                    self.evidence.append(event.evidence)
        return [kind for _, kind in self.events[before:]]


def test_air_that_warms_at_less_than_half_its_usual_speed_is_cooled_by_something() -> None:
    """After three blocks of a third of an hour each; at three fifths nothing is said."""
    for of_it, raised in ((0.6, []), (0.4, ["alarm_raised"])):
        plant = Plant()
        assert plant.live(24.0, usual) == []
        began = plant.at
        assert plant.live(12.0, share(of_it)) == raised
        for at, _ in plant.events:
            assert 0.7 < (at - began) / 3600.0 < 2.5


def test_air_that_falls_is_no_matter_of_blocks() -> None:
    """A whole kelvin down in a warm room: sooner than three blocks, though its speed is known."""
    plant = Plant()
    assert plant.live(24.0, usual) == []
    while plant.state.cooling.pump:
        plant.live(TICK_S / 3600.0, usual)
    began = plant.at

    assert plant.live(0.8, lambda _k: -3.0) == ["alarm_raised"]
    assert plant.at - began < 3 * 3600.0 * 3.0 / 10.0  # K·h over a room ten kelvin warmer


def test_a_chamber_that_comes_to_rest_below_its_room_is_not_blamed_on_a_mild_day() -> None:
    """Days of heat, then a room in which the air balances and does not warm at all."""
    plant = Plant()
    for room_c in (27.0, 24.0, 22.0, 20.0, 19.0, 18.0, 17.5, 18.0, 17.0, 25.0):
        assert plant.live(10.0, usual, room_c=room_c) == []


def test_a_morning_that_warms_the_room_does_not_turn_the_night_s_fall_into_a_fault() -> None:
    """The air fell with the room; that the room is warm now says nothing of the night."""
    plant = Plant()
    plant.live(3.0, usual, room_c=18.0)
    for step in range(12):
        assert plant.live(0.5, lambda k: 4.0 * (k - 2.0), room_c=18.0 - 0.4 * step) == []
    assert plant.live(0.3, lambda _k: 0.0, room_c=22.0) == []


def test_the_alarm_ends_when_the_air_warms_as_before() -> None:
    """By two blocks, measured; what was slow meanwhile has not become what is usual."""
    plant = Plant()
    plant.live(24.0, usual)
    assert plant.live(48.0, share(0.3)) == ["alarm_raised"]
    assert plant.live(6.0, usual) == ["alarm_cleared"]
    assert plant.evidence[-1] is Evidence.MEASURED
    assert plant.live(24.0, usual) == []
    assert plant.live(6.0, share(0.3)) == ["alarm_raised"]


def test_what_was_sound_before_a_fall_ends_no_alarm() -> None:
    """Blocks that warmed as before are counted anew from the fall."""
    plant = Plant()
    plant.live(24.0, usual)
    while plant.state.cooling.pump:
        plant.live(TICK_S / 3600.0, usual)
    assert plant.state.expectations.warming.sound == SOUND_BLOCKS
    while not plant.events:
        plant.live(TICK_S / 3600.0, lambda _k: -12.0)

    assert plant.state.expectations.warming.sound == 0


def test_an_acknowledged_alarm_comes_again_while_its_cause_lasts() -> None:
    """A person says that it is mended; three more slow blocks say that it is not."""
    plant = Plant()
    plant.live(24.0, usual)
    plant.live(6.0, share(0.3))

    assert plant.live(6.0, share(0.3), acknowledge=True) == ["alarm_cleared", "alarm_raised"]
    assert plant.evidence[1] is Evidence.ACKNOWLEDGED


def test_a_lost_room_reading_ends_no_alarm() -> None:
    """Warming a quarter of a kelvin is no proof where a third of the usual speed is the fault."""
    plant = Plant()
    plant.live(24.0, usual)
    assert plant.live(6.0, share(0.3)) == ["alarm_raised"]

    assert plant.live(1.0, share(0.3), room_probe=None) == []
    assert plant.live(6.0, usual) == ["alarm_cleared"]


def test_without_a_room_probe_nothing_is_expected_of_the_air() -> None:
    """A cool room slows it as well."""
    plant = Plant()
    plant.live(24.0, usual, room_probe=False)

    assert plant.live(12.0, share(0.3), room_probe=False) == []


def line_of(*blocks: tuple[float, float]) -> WarmingLine:
    """Return the line through blocks of (excess [K], speed [K/h]), all of one weight."""
    return WarmingLine(
        len(blocks),
        sum(k for k, _ in blocks),
        sum(v for _, v in blocks),
        sum(k * k for k, _ in blocks),
        sum(k * v for k, v in blocks),
        len(blocks),
        min(k for k, _ in blocks),
    )


def test_the_expected_speed_is_a_line_through_what_was_seen() -> None:
    """A regression by hand; in one kind of weather through the origin; else not at all."""
    spread = [(float(k), 2.0 * k - 8.0) for k in (6, 8, 10, 12, 14, 6, 8, 10, 12, 14)]
    # mean excess 10, speed 12, variance 8, covariance 16: (16 + 1.2) / (8 + 1) a kelvin
    assert expected_speed_k_h(line_of(*spread), 13.0) == pytest.approx(12.0 + 3.0 * 17.2 / 9.0)
    steady = [(10.0, 8.0)] * LEARNED_BLOCKS
    assert expected_speed_k_h(line_of(*steady), 15.0) == pytest.approx(12.0)
    assert expected_speed_k_h(line_of(*steady[1:]), 15.0) is None
    assert expected_speed_k_h(line_of(*steady), 9.9) is None
    assert expected_speed_k_h(line_of(*[(10.0, 1.4)] * 8), 10.0) is None
    assert expected_speed_k_h(line_of(*[(10.0, 1.6)] * 8), 10.0) == pytest.approx(1.6)


def after_blocks(*shares: float, begun: Warming | None = None) -> Warming:
    """Return what is known after blocks that warmed at a share of the expected 8 K/h."""
    steady = Warming(line=line_of(*[(10.0, 8.0)] * LEARNED_BLOCKS))
    warming = begun or steady
    for of_it in shares:
        rise_mk = round(1000 * of_it * 8.0 / 3.0)  # a block: a third of an hour at ten kelvin
        before = begin(0.0).cooling._replace(trend=(AirMark(0.0, 15_000),))
        after = before._replace(trend=(AirMark(1200.0, 15_000 + rise_mk),))
        room_c = 25.0 + rise_mk / 2000
        inputs = make_inputs(15.0 + rise_mk / 1000, 4.0, room=reading(room_c))
        warming = warming_after(warming, before, after, inputs, 1200.0, learn=False)
    return warming


def test_slow_and_sound_blocks_count_in_a_row() -> None:
    """One that is neither ends both counts."""
    assert (after_blocks(0.3, 0.3).slow, after_blocks(0.3, 0.3).sound) == (2, 0)
    assert after_blocks(0.3, 0.3, 0.6).slow == 0
    assert after_blocks(0.3, 0.6, 0.3).slow == 1
    assert (after_blocks(0.9).slow, after_blocks(0.9).sound) == (0, 1)
    assert after_blocks(0.9, 0.6).sound == 0
    assert after_blocks(0.9, 0.3, 0.9).sound == 1
    assert after_blocks(*[0.3] * 9).slow == SLOW_BLOCKS  # no more is counted than is asked for
    assert after_blocks(*[0.9] * 9).sound == SOUND_BLOCKS


@pytest.mark.parametrize(
    ("rise_mk", "slow", "sound"), [(4_998, 1, 0), (5_000, 0, 0), (6_998, 0, 0), (7_000, 0, 1)]
)
def test_a_share_that_is_met_exactly_is_met(rise_mk: int, slow: int, sound: int) -> None:
    """Of ten kelvin an hour: seven are sound, five are not slow."""
    begun = Warming(line=line_of(*[(10.0, 10.0)] * LEARNED_BLOCKS))
    before = begin(0.0).cooling._replace(trend=(AirMark(0.0, 15_000),))
    after = before._replace(trend=(AirMark(3600.0, 15_000 + rise_mk),))
    room = reading(25.0 + rise_mk // 2 / 1000)
    inputs = make_inputs(15.0 + rise_mk / 1000, 4.0, room=room)

    warming = warming_after(begun, before, after, inputs, 3600.0, learn=False)

    assert (warming.slow, warming.sound) == (slow, sound)


def test_a_block_is_judged_once_there_is_enough_of_it() -> None:
    """Ten kelvin for a third of an hour; short rests add up, and the next block begins anew."""
    half = begin(0.0).cooling._replace(trend=(AirMark(0.0, 15_000),))
    ended = half._replace(trend=(AirMark(600.0, 15_400),))
    inputs = make_inputs(15.4, 4.0, room=reading(25.2))
    begun = Warming(line=line_of(*[(10.0, 8.0)] * LEARNED_BLOCKS))

    once = warming_after(begun, half, ended, inputs, 600.0, learn=False)
    twice = warming_after(once, half, ended, inputs, 600.0, learn=False)

    assert (once.block.lasted_s, once.block.risen_mk, once.slow) == (600.0, 400, 0)
    assert once.block.excess_mk_s == pytest.approx(10_000 * 600.0)
    assert (twice.block.lasted_s, twice.slow) == (0.0, 1)  # 0.8 K in a third of an hour: 2.4 K/h


def test_only_a_learning_block_moves_the_line() -> None:
    """The newest counts one, the one before a fortieth less."""
    before = begin(0.0).cooling._replace(trend=(AirMark(0.0, 15_000),))
    after = before._replace(trend=(AirMark(1200.0, 18_000),))
    inputs = make_inputs(18.0, 4.0, room=reading(26.5))
    begun = Warming(line=line_of((12.0, 8.0)))

    assert warming_after(begun, before, after, inputs, 1200.0, learn=False).line == begun.line
    line = warming_after(begun, before, after, inputs, 1200.0, learn=True).line
    assert line == WarmingLine(
        pytest.approx(1.975), pytest.approx(0.975 * 12.0 + 10.0),  # type: ignore[arg-type]
        pytest.approx(0.975 * 8.0 + 9.0), pytest.approx(0.975 * 144.0 + 100.0),  # type: ignore[arg-type]
        pytest.approx(0.975 * 96.0 + 90.0), 2, pytest.approx(10.0),  # type: ignore[arg-type]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("inputs", "at"),
    [
        pytest.param(make_inputs(None, 4.0, room=reading(25.0)), 1200.0, id="air-lost"),
        pytest.param(make_inputs(15.0, 4.0), 1200.0, id="no-room-probe"),
        pytest.param(make_inputs(15.0, 4.0, room=reading(16.9)), 1200.0, id="a-cool-room"),
        pytest.param(make_inputs(15.0, 4.0, room=reading(25.0)), 0.0, id="no-time"),
    ],
)
def test_a_piece_that_shows_nothing_is_no_part_of_a_block(inputs: Inputs, at: float) -> None:
    """The room must be two kelvin warmer, and both readings there."""
    before = begin(0.0).cooling._replace(trend=(AirMark(0.0, 15_000),))
    after = before._replace(trend=(AirMark(at, 15_000),))

    assert warming_after(NOTHING, before, after, inputs, at, learn=True) is NOTHING


def test_a_room_two_kelvin_warmer_is_a_part_of_a_block() -> None:
    """It takes longer to fill one."""
    before = begin(0.0).cooling._replace(trend=(AirMark(0.0, 15_000),))
    after = before._replace(trend=(AirMark(1200.0, 15_000),))
    inputs = make_inputs(15.0, 4.0, room=reading(17.0))

    begun = warming_after(NOTHING, before, after, inputs, 1200.0, learn=True)

    assert (begun.block.lasted_s, begun.line) == (1200.0, NOTHING.line)


def test_a_fall_near_the_balance_with_a_mild_room_is_no_fault() -> None:
    """What was learned in a warm room says nothing of one three kelvin warmer than the air."""
    plant = Plant()
    assert plant.live(24.0, usual) == []
    while plant.state.cooling.pump:
        plant.live(TICK_S / 3600.0, usual)
    plant.air_c = 15.8
    assert plant.live(0.5, lambda _k: 0.0, room_c=18.8) == []

    assert plant.live(0.6, lambda _k: -2.0, room_c=18.8) == []
