"""Rules 9, 12 and 13: a plant against expectation, what fails often, what a restart keeps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.alarm_board import standing_alarms
from controller.core.decide import begin, decide
from controller.core.law import Law
from controller.core.state import Asked, Event, Evidence, Inputs, State
from controller.domain.alarms import Alarm, AlarmName
from controller.domain.events import EventKind
from controller.domain.reading_rows import PROBE_NAMES
from tests.support.laws import make_inputs, make_law, reading

LAW = make_law(raise_s=0, clear_s=0)
TICK_S = 10.0
HOUR_S = 3600.0


class Watch:
    """A controller, and the alarms that it raised and ended."""

    def __init__(self, law: Law = LAW, state: State | None = None, at: float = 0.0) -> None:
        self.law, self.at = law, at
        self.state = begin(at, last_stop=at - 10_000.0) if state is None else state
        self.events: list[tuple[str, str]] = []
        self.evidence: list[Evidence | None] = []

    def give(self, inputs: Inputs, for_s: float = TICK_S) -> list[Event]:
        """Decide tick by tick from the same inputs; return the last events."""
        events: tuple[Event, ...] = ()
        for _ in range(round(for_s / TICK_S)):
            self.at += TICK_S
            self.state, decision = decide(self.state, inputs, self.at, self.law)
            events = decision.events
            for event in events:
                if event.kind in {EventKind.RAISED, EventKind.CLEARED}:
                    kind = "+" if event.kind is EventKind.RAISED else "-"
                    self.events.append((kind, f"{event.name} {event.detail}".rstrip()))
                    self.evidence.append(event.evidence)
        return list(events)


def warm_room(air_c: float, water_c: float = 4.0) -> Inputs:
    """Return inputs with a room that cannot have cooled the air."""
    return make_inputs(air_c, water_c, room=reading(25.0))


def test_air_that_falls_with_the_pump_off_is_an_output_that_stays_closed() -> None:
    """By a kelvin from where the rest had settled, in a warm room, over cold water."""
    watch = Watch()
    watch.give(warm_room(15.0), 900)
    watch.give(warm_room(14.001), 600)
    assert watch.events == []
    watch.give(warm_room(14.0))

    assert watch.events == [("+", "cooling_while_off")]


def test_the_fall_right_after_a_stop_is_the_cold_coil_s() -> None:
    """Counted from a quarter of an hour after the stop, not a tick sooner or later."""
    for settling_s, raised in ((890.0, False), (900.0, True)):
        watch = Watch(state=begin(0.0))
        watch.give(warm_room(15.0), settling_s)
        watch.give(warm_room(14.0), 60)
        assert (("+", "cooling_while_off") in watch.events) is raised


@pytest.mark.parametrize(
    "inputs",
    [
        pytest.param(make_inputs(13.5, 4.0, room=reading(15.4)), id="a-cold-room-explains-it"),
        pytest.param(warm_room(13.5, 12.0), id="warm-water-cannot-have-done-it"),
        pytest.param(make_inputs(13.5, 4.0), id="no-room-probe-and-water-that-took-up-nothing"),
        pytest.param(make_inputs(None, 4.0, room=reading(25.0)), id="nothing-is-known"),
    ],
)
def test_a_fall_that_has_another_cause_is_no_fault_of_an_output(inputs: Inputs) -> None:
    """Nothing is raised that the room, the water or a missing reading explains."""
    watch = Watch(make_law(raise_s=1e6, clear_s=0))
    watch.law = replace(
        LAW, alarms=replace(LAW.alarms, delays=tuple(
            (name, replace(delay, raise_s=0 if name is AlarmName.COOLING_WHILE_OFF else 1e6))
            for name, delay in LAW.alarms.delays
        )),
    )  # fmt: skip
    watch.give(warm_room(15.0), 900)
    watch.give(inputs, 600)

    assert watch.events == []


def test_a_fall_must_be_larger_than_the_room_s_own() -> None:
    """A room that fell explains as much; one that was no warmer at first explains it all."""
    for settled_room_c, air_c, raised in (
        (25.0, 13.501, False), (25.0, 13.5, True), (16.9, 13.0, False), (17.0, 13.0, True),
    ):  # fmt: skip
        watch = Watch()
        watch.give(make_inputs(15.0, 4.0, room=reading(settled_room_c)), 900)
        room_c = settled_room_c - 0.5 if settled_room_c > 20.0 else 20.0
        watch.give(make_inputs(air_c, 4.0, room=reading(room_c)))
        assert (("+", "cooling_while_off") in watch.events) is raised, (settled_room_c, air_c)


def test_without_a_room_probe_the_water_must_have_taken_up_the_heat_and_soon() -> None:
    """A quarter of a kelvin within two hours; a cold night takes longer."""
    for later_s, raised in ((600.0, True), (6290.0, True), (6300.0, False)):
        watch = Watch()
        watch.give(make_inputs(15.0, 4.0), 900)
        watch.give(make_inputs(15.0, 4.0), later_s)
        watch.give(make_inputs(14.0, 4.25))
        assert (("+", "cooling_while_off") in watch.events) is raised


def test_cooling_while_off_ends_by_a_rise_or_by_a_person() -> None:
    """Measured back, or acknowledged; a missing reading ends nothing."""
    for asked, evidence in ((None, Evidence.MEASURED), (True, Evidence.ACKNOWLEDGED)):
        watch = Watch()
        watch.give(warm_room(15.0), 900)
        watch.give(warm_room(14.0), 60)
        watch.give(replace(warm_room(14.0), air=reading(None)), 60)
        watch.give(warm_room(14.5), 60)
        assert ("-", "cooling_while_off") not in watch.events
        if asked:
            seen = Asked(acknowledge=(AlarmName.COOLING_WHILE_OFF,))
            watch.give(replace(warm_room(14.5), asked=seen))
        else:
            watch.give(warm_room(15.25))
        assert watch.events[-1] == ("-", "cooling_while_off")
        assert watch.evidence[-1] is evidence


def test_probes_whose_plugs_are_exchanged_are_noticed() -> None:
    """The reservoir five kelvin warmer than the air; over at two, not by a missing reading."""
    law = replace(LAW, alarms=replace(LAW.alarms, delays=tuple(
        (name, replace(delay, raise_s=3600 if name is AlarmName.PROBES_EXCHANGED else 0))
        for name, delay in LAW.alarms.delays
    )))  # fmt: skip
    watch = Watch(law)
    watch.give(make_inputs(13.0, 18.0), 1800)
    watch.give(make_inputs(13.0, None), 600)
    watch.give(make_inputs(13.0, 18.0), 1800)
    assert ("+", "probes_exchanged") not in watch.events
    watch.give(make_inputs(13.0, 18.0), 20)
    assert watch.events[-1] == ("+", "probes_exchanged")
    watch.give(make_inputs(13.0, 15.1), 60)
    assert watch.events[-1] == ("+", "probes_exchanged")
    watch.give(make_inputs(13.0, 15.0))

    assert ("-", "probes_exchanged") in watch.events


def test_a_reservoir_that_goes_the_wrong_way_in_three_runs_is_not_in_water() -> None:
    """Colder in the run, warmer in the rest; one run by nature and it is counted anew."""

    def cycles(watch: Watch, count: int, *, wrong: bool) -> None:
        for _ in range(count):
            watch.give(make_inputs(17.0, 8.0))
            watch.give(make_inputs(16.6, 7.0 if wrong else 9.0), 120)
            watch.give(make_inputs(15.4, 7.0 if wrong else 9.0), 400)

    watch = Watch()
    cycles(watch, 3, wrong=True)
    assert not any("misplaced" in what for _, what in watch.events)
    watch.give(make_inputs(17.0, 8.0))
    assert ("+", "reservoir_probe_misplaced") in watch.events

    sound = Watch()
    cycles(sound, 2, wrong=True)
    cycles(sound, 2, wrong=False)
    cycles(sound, 2, wrong=True)
    assert not any("misplaced" in what for _, what in sound.events)


def test_a_probe_that_answers_part_of_the_time_is_an_alarm() -> None:
    """Lost for 50 s in each 100 s, shorter than its own alarm waits; told at the fifth time."""
    law = make_law(raise_s=60, clear_s=0)
    watch = Watch(law)
    for _ in range(7):
        watch.give(make_inputs(15.0, room=reading(20.0)), 50)
        watch.give(make_inputs(15.0, room=reading(None)), 50)
    watch.give(make_inputs(15.0, room=reading(20.0)), 60)
    raised = [what for _, what in watch.events]
    assert raised == ["probe_unsteady room"]
    watch.give(make_inputs(15.0, room=reading(20.0)), HOUR_S + 600)

    assert watch.events[-1] == ("-", "probe_unsteady room")


def test_probes_that_drop_out_together_are_each_unsteady() -> None:
    """At the highest limit that can be set: four probes on one broken wire hide none of them."""
    rules = replace(LAW.alarms, losses_per_hour=20)
    watch = Watch(replace(LAW, alarms=rules))
    all_lost = make_inputs(None, None, room=reading(None), coil_outlet=reading(None))
    all_there = make_inputs(15.0, room=reading(20.0), coil_outlet=reading(15.0))
    for _ in range(20):
        watch.give(all_there)
        assert not any("unsteady" in what for _, what in watch.events)
        watch.give(all_lost)
    unsteady = {what for kind, what in watch.events if kind == "+" and "unsteady" in what}
    assert unsteady == {f"probe_unsteady {name}" for name in PROBE_NAMES}

    for _ in range(20):
        watch.give(all_there)
        watch.give(all_lost)
    assert len(watch.state.recent.losses) == 80, "what is remembered has no bound"


def test_an_unsteady_probe_s_alarm_ends_while_the_pump_cycles() -> None:
    """An hour without a loss ends it, however often the pump has started in that hour."""
    watch = Watch(state=begin(0.0, alarms=(Alarm(name="probe_unsteady", about="air"),)))
    for _ in range(6):
        watch.give(make_inputs(17.0), 200)
        watch.give(make_inputs(15.0), 400)
    assert len(watch.state.recent.starts) > 1
    assert watch.events == [("-", "probe_unsteady air")]


def test_losses_only_while_the_pump_runs_are_its_noise() -> None:
    """Three within an hour, and one alarm for one fault."""
    watch = Watch(make_law(raise_s=60, clear_s=0))
    starts = 0
    while starts < 4:
        if watch.state.cooling.pump and watch.at - watch.state.cooling.pump_since >= 60:
            watch.give(make_inputs(None))
            starts += 1
        else:
            watch.give(make_inputs(17.0))
    watch.give(make_inputs(15.0), 120)
    raised = {what for kind, what in watch.events if kind == "+"}

    assert "pump_noise" in raised
    assert not any(what.startswith("probe_unsteady") for what in raised)


def test_faults_that_trip_again_and_again_are_an_alarm() -> None:
    """Four within the hour; a pause is no fault."""
    law = make_law(raise_s=1, clear_s=0, anti_short_cycle_s=60, run_on_s=0, minimum_run_s=60)
    trips = {"fault": make_inputs(17.0, output_fault="fan"), "pause": replace(
        make_inputs(17.0), asked=Asked(pause_s=5)
    )}  # fmt: skip
    for what, inputs in trips.items():
        watch = Watch(law)
        for _ in range(4):
            watch.give(make_inputs(17.0), 200)
            watch.give(inputs, 10)
        watch.give(make_inputs(17.0), 30)
        assert (("+", "frequent_trips") in watch.events) is (what == "fault")


def test_a_fault_that_lasts_is_one_trip() -> None:
    """It is counted when it puts everything off, and not at each tick after."""
    law = make_law(raise_s=1, clear_s=0, anti_short_cycle_s=60, run_on_s=0, minimum_run_s=60)
    watch = Watch(law)
    watch.give(make_inputs(17.0), 200)
    watch.give(make_inputs(17.0, output_fault="fan"), 200)

    assert len(watch.state.recent.trips) == 1
    assert ("+", "frequent_trips") not in watch.events


def restarted(state: State, at: float) -> State:
    """Return the state after a restart that kept the alarms."""
    return begin(at, alarms=standing_alarms(state))


def test_alarms_outlive_a_restart_and_are_raised_once() -> None:
    """With what people have seen of them; silence ends none."""
    watch = Watch()
    watch.give(make_inputs(19.0, room=reading(None)), 60)
    watch.give(replace(make_inputs(19.0, room=reading(None)), asked=Asked(
        acknowledge=(AlarmName.AIR_HIGH,)
    )))  # fmt: skip
    kept = standing_alarms(watch.state)
    assert kept == (
        Alarm(name="air_high", acknowledged=True), Alarm(name="probe_lost", about="room"),
    )  # fmt: skip

    again = Watch(state=restarted(watch.state, 5000.0), at=5000.0)
    again.give(replace(make_inputs(None, None), room=reading(None)), 600)
    assert standing_alarms(again.state)[0] == kept[0]
    assert ("-", "air_high") not in again.events
    again.give(make_inputs(15.0, room=reading(20.0)), 60)
    assert ("-", "air_high") in again.events
    assert again.evidence[again.events.index(("-", "air_high"))] is Evidence.MEASURED


@pytest.mark.parametrize(
    "name", ["flow_not_proved", "long_run", "cooling_while_off", "reservoir_probe_misplaced"]
)
def test_what_the_law_found_out_outlives_a_restart(name: str) -> None:
    """These have no reading that shows them; they stand until the plant shows the opposite."""
    kept = (Alarm(name=name, acknowledged=False),)
    watch = Watch(state=begin(0.0, alarms=kept))
    watch.give(make_inputs(16.0), 2 * HOUR_S)

    assert standing_alarms(watch.state) == kept
    assert watch.events == []


def test_what_happens_often_is_counted_for_an_hour_before_its_alarm_ends() -> None:
    """After a restart nothing has been counted yet, which proves nothing."""
    kept = (Alarm(name="frequent_starts"), Alarm(name="probe_unsteady", about="air"))
    watch = Watch(state=begin(0.0, alarms=kept))
    watch.give(make_inputs(16.0), HOUR_S - TICK_S)
    assert watch.events == []
    watch.give(make_inputs(16.0), 2 * TICK_S)

    assert set(watch.events) == {("-", "frequent_starts"), ("-", "probe_unsteady air")}


def test_an_alarm_about_what_is_fitted_no_more_ends_as_unknown() -> None:
    """And names of another release are left out."""
    kept = (
        Alarm(name="probe_lost", about="room"), Alarm(name="reservoir_empty"), Alarm(name="later"),
    )  # fmt: skip
    watch = Watch(state=begin(0.0, alarms=kept))
    watch.give(make_inputs(16.0))

    assert set(watch.events) == {("-", "probe_lost room"), ("-", "reservoir_empty")}
    assert watch.evidence == [Evidence.UNKNOWN] * 2


def test_an_empty_reservoir_is_reported_at_once() -> None:
    """And over when there is water."""
    watch = Watch()
    watch.give(make_inputs(16.0, level=True), 60)
    assert watch.events == []
    watch.give(make_inputs(16.0, level=False))
    watch.give(make_inputs(16.0, level=True))

    assert watch.events == [("+", "reservoir_empty"), ("-", "reservoir_empty")]


def test_a_missing_reading_stops_an_alarm_s_delay_and_does_not_reset_it() -> None:
    """Thirty known seconds before and thirty after: the delay of sixty is over."""
    watch = Watch(make_law(raise_s=60, clear_s=60))
    watch.give(make_inputs(19.5), 40)
    watch.give(make_inputs(None), 50)
    watch.give(make_inputs(19.5), 20)
    assert watch.events == []
    watch.give(make_inputs(19.5), 20)

    assert watch.events == [("+", "air_high")]
