"""The loop's one step, its outputs, and a wall clock that jumps."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time
from structlog.testing import capture_logs

from controller.core.decide import begin
from controller.core.law import Band
from controller.core.signal import SignalPattern
from controller.core.state import NOTHING_ASKED, Asked, Cooling, Decision, Inputs, State
from controller.domain.alarms import AlarmName
from controller.domain.control_phase import Phase, Reason
from controller.errors import OutputError
from controller.outputs.dry import DryOutput
from controller.probes.samples import Fault, Sample
from controller.probes.sieve import Sieve, SieveRules
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.service.clock import SystemClock
from controller.service.loop import BandInForce, ControlLoop
from controller.service.output_bank import OutputBank
from controller.settings.law_of import BandSchedule
from tests.support.laws import make_law

BERLIN = ZoneInfo("Europe/Berlin")
UTC_NOON = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
DAY, NIGHT = Band(16_500, 15_500), Band(14_500, 13_500)
SCHEDULE = BandSchedule(day=DAY, night=NIGHT, night_from=time(22), night_to=time(6, 30))


class Script:
    """A source that says what it is told, at every tick."""

    def __init__(self, **values_mc: int | None) -> None:
        self.values_mc = values_mc

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        return [
            (name, Sample(now, value) if value is not None else Sample(now, None, Fault.EMPTY))
            for name, value in self.values_mc.items()
        ]

    def close(self) -> None:
        """Nothing to close."""


class Kept:
    """A journal that keeps what it is told."""

    def __init__(self) -> None:
        self.inputs: list[Inputs] = []
        self.decisions: list[Decision] = []

    def note(self, now: float, inputs: Inputs, decision: Decision) -> None:
        self.inputs.append(inputs)
        self.decisions.append(decision)


class Turned:
    """A loop with the band of a schedule, and what it is asked at each tick."""

    def __init__(self, loop: ControlLoop, clock: SimulatedClock | SystemClock) -> None:
        self.loop = loop
        self._clock = clock
        self._band = BandInForce(SCHEDULE, clock)

    def turn(
        self,
        ticks: SimulatedClock,
        seconds: int,
        *,
        tick_s: int = 5,
        asked: Sequence[Asked] = (),
    ) -> None:
        """Let simulated time pass, tick by tick; what is asked for comes at the first ones."""
        begin_at, requests = ticks.monotonic(), list(asked)
        for passed in range(tick_s, seconds + 1, tick_s):
            ticks.move_to(begin_at + passed)
            now = self._clock.monotonic()
            request = requests.pop(0) if requests else NOTHING_ASKED
            self.loop.tick(now, self._band.at(now), asked=request)


def make_loop(
    clock: SimulatedClock | SystemClock,
    source: Script,
    journal: Kept,
    *,
    state: State | None = None,
    outputs: OutputBank | None = None,
    **more: object,
) -> Turned:
    rules = SieveRules(median_of=1, agree=1, stale_after_s=60)
    now = clock.monotonic()
    loop = ControlLoop(
        law=make_law(),
        source=source,
        sieves={name: Sieve(rules) for name in source.values_mc},
        outputs=outputs or OutputBank({"pump": DryOutput(), "fan": DryOutput()}),
        journal=journal,
        state=state or begin(now, last_stop=now - 1000),
        **more,  # type: ignore[arg-type]
    )
    return Turned(loop, clock)


def test_quiet_ticks_pass_the_same_inputs_and_decision() -> None:
    """Nothing new is worked out while nothing is new; a new reading is new inputs."""
    clock = SimulatedClock(datetime(2026, 7, 1, 12, tzinfo=UTC))
    source, journal = Script(air=16_000, reservoir=4_000), Kept()
    loop = make_loop(clock, source, journal)

    loop.turn(clock, 50)
    source.values_mc["air"] = 16_062
    loop.turn(clock, 10)

    assert len({id(inputs) for inputs in journal.inputs[3:10]}) == 1
    assert journal.inputs[10] is not journal.inputs[9]
    assert [decision.phase for decision in journal.decisions[:12]] == [Phase.REST] * 12


def test_an_empty_reservoir_stops_the_pump_within_the_tick() -> None:
    """What the level switch says is an input of the same tick."""
    clock = SimulatedClock(datetime(2026, 7, 1, 12, tzinfo=UTC))
    journal, water = Kept(), [True]
    loop = make_loop(clock, Script(air=18_000, reservoir=4_000), journal, level=lambda: water[0])
    loop.turn(clock, 20)
    assert journal.decisions[-1].pump
    water[0] = False
    loop.turn(clock, 5)

    assert not journal.decisions[-1].pump
    assert journal.decisions[-1].reason is Reason.RESERVOIR_EMPTY


def test_what_is_kept_of_a_start_is_kept_before_the_pump_runs() -> None:
    """A record that says "off since an hour" while it runs would shorten the next rest."""
    clock = SimulatedClock(datetime(2026, 7, 1, 12, tzinfo=UTC))
    pump = DryOutput()
    kept: list[tuple[bool, bool]] = []

    def before_start(cooling: Cooling, _now: float) -> None:
        kept.append((cooling.pump, pump.on))

    source = Script(air=18_000, reservoir=4_000)
    outputs = OutputBank({"pump": pump, "fan": DryOutput()})
    loop = make_loop(clock, source, Kept(), outputs=outputs, before_start=before_start)

    loop.turn(clock, 60)

    assert pump.on
    assert kept == [(True, False)]


def test_wish_is_passed_on_once() -> None:
    """A pause asked for at one tick is an input of that tick alone."""
    clock = SimulatedClock(datetime(2026, 7, 1, 12, tzinfo=UTC))
    journal = Kept()
    loop = make_loop(clock, Script(air=18_000, reservoir=4_000), journal)

    loop.turn(clock, 70, asked=[Asked(pause_s=60)])

    reasons = [decision.reason for decision in journal.decisions]
    assert reasons[:12] == [Reason.PAUSED] * 12
    assert reasons[13] is Reason.PRIMING


@pytest.mark.parametrize(
    ("local", "band"),
    [
        pytest.param(
            datetime(2026, 7, 1, 21, 59, 59, tzinfo=BERLIN), DAY, id="a-second-before-the-night"
        ),
        pytest.param(datetime(2026, 7, 1, 22, tzinfo=BERLIN), NIGHT, id="on-its-first-instant"),
        pytest.param(datetime(2026, 7, 2, 0, tzinfo=BERLIN), NIGHT, id="at-midnight"),
        pytest.param(
            datetime(2026, 7, 2, 6, 29, 59, tzinfo=BERLIN), NIGHT, id="a-second-before-its-end"
        ),
        pytest.param(datetime(2026, 7, 2, 6, 30, tzinfo=BERLIN), DAY, id="on-its-last-instant"),
        pytest.param(
            datetime(2026, 10, 25, 6, 29, tzinfo=BERLIN), NIGHT, id="after-the-repeated-hour"
        ),
        pytest.param(datetime(2026, 3, 29, 6, 31, tzinfo=BERLIN), DAY, id="after-the-skipped-hour"),
    ],
)
def test_band_follows_the_local_time_of_day(local: datetime, band: Band) -> None:
    """The clock on the wall decides, over midnight and on days of 23 and 25 hours."""
    assert SCHEDULE.band_at(local) == band


def test_daylight_saving_change_moves_the_band_and_no_timer() -> None:
    """Night ends at 06:30 on the wall, 9.5 h after 22:00 when an hour comes twice (Berlin 2026)."""
    clock = SimulatedClock(datetime(2026, 10, 24, 21, 55, tzinfo=BERLIN))
    journal = Kept()
    loop = make_loop(clock, Script(air=14_000, reservoir=4_000), journal)

    loop.turn(clock, 10 * 3600, tick_s=60)

    bands = [inputs.band for inputs in journal.inputs]
    changes = [at for at in range(1, len(bands)) if bands[at] != bands[at - 1]]
    first, second = (timedelta(minutes=at + 1) for at in changes)
    assert first == timedelta(minutes=5)
    assert second - first == timedelta(hours=9, minutes=30)


@pytest.mark.parametrize("jump", [timedelta(days=7, hours=3), timedelta(hours=-3)], ids=str)
def test_wall_clock_that_jumps_moves_the_band_and_no_timer(jump: timedelta) -> None:
    """A Pi wakes with an old date and is set right in mid-run: the pump's rest is not shortened.

    The wall clock is frozen and moved; the monotonic one goes on by itself, as Linux has it.
    """
    with freeze_time("2026-07-01 12:00:00", ignore=["tests."]) as wall:
        ticks = SimulatedClock(datetime(2026, 7, 1, 12, tzinfo=UTC))

        class JumpingClock(SystemClock):
            def monotonic(self) -> float:
                return ticks.monotonic()

        clock = JumpingClock(UTC)
        journal = Kept()
        source, state = Script(air=18_000, reservoir=4_000), begin(ticks.monotonic())
        loop = make_loop(clock, source, journal, state=state)
        loop.turn(ticks, 100)
        wall.tick(jump)
        loop.turn(ticks, 195)
        phases = [decision.phase for decision in journal.decisions]
        assert set(phases) == {Phase.HELD}
        loop.turn(ticks, 5)
        assert journal.decisions[-1].phase is Phase.PRIME
        assert {type(inputs.air).__name__ for inputs in journal.inputs} == {"Seen"}


class Stubborn(DryOutput):
    """An output that fails in one way or another."""

    def __init__(self, trouble: str) -> None:
        super().__init__()
        self.trouble = trouble

    def switch(self, on: bool) -> None:
        if on and self.trouble == "refuses":
            raise OutputError("no answer")
        if on and self.trouble == "odd exception":
            raise ZeroDivisionError
        super().switch(on)

    def read_back(self) -> bool | None:
        return False if self.trouble == "sticks off" else super().read_back()

    def close(self) -> None:
        if self.trouble == "close fails":
            raise OutputError("stuck")
        super().close()


ON = Decision(True, True, Phase.COOL, Reason.CALL)
OFF = Decision(False, False, Phase.REST, Reason.NO_CALL)


@pytest.mark.parametrize("trouble", ["refuses", "odd exception", "sticks off"])
@pytest.mark.parametrize("which", ["pump", "fan"])
def test_load_that_does_not_obey_puts_all_off_in_the_same_tick(trouble: str, which: str) -> None:
    """Whatever a driver raises or reads back: everything off, the load named, off again clears."""
    outputs = {"pump": DryOutput(), "fan": DryOutput()}
    outputs[which] = Stubborn(trouble)
    bank = OutputBank(outputs)

    bank.apply(ON, 0.0)

    assert bank.fault == which
    assert (outputs["pump"].on, outputs["fan"].on) == (False, False)
    bank.apply(OFF, 5.0)
    assert bank.fault is None


def test_unchanged_decision_touches_no_output() -> None:
    """A relay is written when it changes, however often it is read back."""
    pump, fan = DryOutput(), DryOutput()
    bank = OutputBank({"pump": pump, "fan": fan})

    for at in range(0, 600, 5):
        bank.apply(Decision(True, at >= 10, Phase.COOL, Reason.CALL), float(at))

    assert (pump.history, fan.history) == ((True,), (True,))


def test_output_that_changes_by_itself_is_noticed_at_the_next_ordinary_tick() -> None:
    """A line that something else switched is a failed output, and is put off; the log says it."""
    pump = DryOutput()
    bank = OutputBank({"pump": pump, "fan": DryOutput()})
    bank.apply(ON, 0.0)

    pump.switch(False)
    with capture_logs() as logs:
        bank.apply(ON, 4.9)
        assert bank.fault is None  # ticks of less than 5 s do not all read back
        bank.apply(ON, 5.0)

    assert bank.fault == "pump"
    assert not pump.on
    (line,) = logs
    assert (line["event"], line["load"]) == ("output_reads_back_wrong", "pump")
    assert (line["wanted"], line["found"]) == (True, False)


@pytest.mark.parametrize("trouble", ["dead", "stuck on"])
def test_a_load_that_does_not_even_go_off_is_logged_once(trouble: str) -> None:
    """Not at every tick, however often it is tried; and it is tried until it obeys."""

    class Dead(DryOutput):
        obeys = False

        def switch(self, on: bool) -> None:
            if trouble == "dead" and not self.obeys:
                raise OutputError("no answer")
            super().switch(on)

        def read_back(self) -> bool | None:
            return super().read_back() if self.obeys else True

    pump = Dead()
    bank = OutputBank({"pump": pump, "fan": DryOutput()})
    with capture_logs() as logs:
        bank.apply(ON, 0.0)
        for at in range(5, 60, 5):
            bank.apply(OFF, float(at))
            assert bank.fault == "pump"
        pump.obeys = True
        bank.apply(OFF, 60.0)

    event = "output_failed" if trouble == "dead" else "output_reads_back_wrong"
    assert [(line["event"], line["load"]) for line in logs] == [(event, "pump")]
    assert (bank.fault, pump.on) == (None, False)


def test_a_person_runs_both_loads_or_none() -> None:
    """At commissioning: whatever does not obey puts both off, and says so."""
    pump, fan = DryOutput(), Stubborn("")
    bank = OutputBank({"pump": pump, "fan": fan})

    bank.run(pump=True, fan=True)
    assert (pump.on, fan.on) == (True, True)
    bank.run(pump=False, fan=True)
    assert (pump.on, fan.on) == (False, True)
    bank.run(pump=False, fan=False)
    fan.trouble = "refuses"
    with pytest.raises(OutputError, match=r"^fan does not obey: \S"):
        bank.run(pump=True, fan=True)
    assert (pump.on, fan.on) == (False, False)


def test_a_close_that_fails_is_in_the_log() -> None:
    """By the load's name."""
    bank = OutputBank({"pump": Stubborn("close fails"), "fan": DryOutput()})

    with capture_logs() as logs:
        bank.close()

    assert [(line["event"], line["load"]) for line in logs] == [("output_close_failed", "pump")]


def test_loads_that_go_on_keep_what_is_known_of_them() -> None:
    """One that is on is not switched again by another bank, and one that is new is off."""
    pump, fan, other = DryOutput(), DryOutput(), DryOutput()
    bank = OutputBank({"pump": pump, "fan": fan})
    bank.apply(ON, 0.0)

    bank = bank.rewired({"fan": other}, keep={"pump", "signal"})

    assert bank.names == {"pump", "fan"}
    assert (bank.is_on("pump"), bank.is_on("fan")) == (True, False)
    assert bank.output("fan") is other
    bank.apply(ON, 5.0)
    assert (pump.history, other.history) == ((True,), (True,))


def test_close_gives_every_load_its_turn() -> None:
    """One that cannot be closed does not keep the others on."""
    fan = DryOutput()
    bank = OutputBank({"pump": Stubborn("close fails"), "fan": fan})
    bank.apply(ON, 0.0)

    bank.close()

    assert not fan.on


def loop_with_signal(
    signal: DryOutput,
    clock: SimulatedClock,
    air: Script,
    pattern: SignalPattern = SignalPattern.STEADY,
) -> Turned:
    outputs = OutputBank({"pump": DryOutput(), "fan": DryOutput(), "signal": signal})
    names = frozenset({AlarmName.AIR_HIGH})
    return make_loop(clock, air, Kept(), outputs=outputs, signal_for=names, signal_pattern=pattern)


def test_signal_calls_until_somebody_has_seen_it_or_it_is_over() -> None:
    """On with the alarm, off with the acknowledge; on again with the next one, off at its end."""
    signal, clock, air = DryOutput(), SimulatedClock(UTC_NOON), Script(air=30_000, reservoir=4000)
    loop = loop_with_signal(signal, clock, air)

    loop.turn(clock, 3600)
    called = signal.on
    loop.turn(clock, 65, asked=[Asked(acknowledge=(AlarmName.AIR_HIGH,))])
    seen = signal.on
    air.values_mc["air"] = 16_000
    loop.turn(clock, 3600)
    air.values_mc["air"] = 30_000
    loop.turn(clock, 3600)
    again = signal.on
    air.values_mc["air"] = 16_000
    loop.turn(clock, 3600)

    assert (called, seen, again, signal.on) == (True, False, True, False)


def test_a_buzzer_grows_rarer_until_somebody_has_seen_the_alarm() -> None:
    """On for a small share of the first hours, and off for good once it is acknowledged."""
    signal, clock, air = DryOutput(), SimulatedClock(UTC_NOON), Script(air=30_000, reservoir=4000)
    loop = loop_with_signal(signal, clock, air, SignalPattern.RARER)

    unseen = []
    for _ in range(360):
        loop.turn(clock, 60)
        unseen.append(signal.on)
    seen = []
    for _ in range(90):
        loop.turn(clock, 60, asked=[Asked(acknowledge=(AlarmName.AIR_HIGH,))])
        seen.append(signal.on)

    assert 5 < sum(unseen[:180]) < 40
    assert any(unseen[-60:])
    assert not any(seen)


def test_signal_is_silent_for_other_alarms() -> None:
    """Only for those that it was given."""
    signal, clock, air = DryOutput(), SimulatedClock(UTC_NOON), Script(air=5000, reservoir=4000)
    loop = loop_with_signal(signal, clock, air)

    loop.turn(clock, 3600)

    assert any(alarm.standing for alarm in loop.loop.state.alarms)
    assert not signal.on


@pytest.mark.parametrize("trouble", ["refuses", "odd exception", "sticks off"])
def test_a_signal_that_fails_stops_no_cooling(trouble: str) -> None:
    """A dead buzzer is told of once; pump and fan go on, and no output is called failed."""
    clock, air = SimulatedClock(UTC_NOON), Script(air=30_000, reservoir=4000)
    loop = loop_with_signal(Stubborn(trouble), clock, air)

    with capture_logs() as logs:
        loop.turn(clock, 3600)

    assert loop.loop.outputs.is_on("pump")
    assert loop.loop.outputs.fault is None
    message = [line for line in logs if line["log_level"] == "error"]
    assert [line["load"] for line in message] == ["signal"]


def test_signal_is_off_after_close() -> None:
    """Like every load."""
    signal, clock = DryOutput(), SimulatedClock(UTC_NOON)
    loop = loop_with_signal(signal, clock, Script(air=30_000, reservoir=4000))
    loop.turn(clock, 3600)

    loop.loop.close()

    assert not signal.on


def test_a_signal_is_written_once_while_it_calls() -> None:
    """And not at every tick; a chamber without one has nothing to write."""
    signal = DryOutput()
    bank = OutputBank({"pump": DryOutput(), "fan": DryOutput(), "signal": signal})
    for _ in range(3):
        bank.signal(on=True)
    for _ in range(3):
        bank.signal(on=False)
    OutputBank({"pump": DryOutput(), "fan": DryOutput()}).signal(on=True)

    assert signal.history == (True, False)


def test_the_first_readings_are_waited_for_at_rest_and_no_longer_than_their_time() -> None:
    """Until then an air probe is not called lost; a person's pause is taken at once."""
    clock = SimulatedClock(UTC_NOON)
    journal, source = Kept(), Script(air=None, reservoir=None)
    ends = clock.monotonic() + 60.0
    loop = make_loop(clock, source, journal, first_readings_until=ends)

    loop.turn(clock, 55)
    assert {decision.reason for decision in journal.decisions} == {Reason.FIRST_READINGS}
    assert {decision.phase for decision in journal.decisions} == {Phase.REST}
    assert not any(alarm.standing for alarm in loop.loop.state.alarms)
    loop.turn(clock, 5)
    assert journal.decisions[-1].reason is not Reason.FIRST_READINGS

    asked = make_loop(clock, source, journal, first_readings_until=clock.monotonic() + 60.0)
    asked.turn(clock, 5, asked=[Asked(pause_s=600)])
    assert asked.loop.state.cooling.paused_until == clock.monotonic() + 600


def test_an_air_probe_that_was_read_once_and_is_lost_is_lost_at_once() -> None:
    """The wait for the first readings is over with the first."""
    clock = SimulatedClock(UTC_NOON)
    journal, source = Kept(), Script(air=16_000, reservoir=4000)
    loop = make_loop(clock, source, journal, first_readings_until=clock.monotonic() + 600.0)
    loop.turn(clock, 5)
    source.values_mc["air"] = None

    loop.turn(clock, 120)

    assert journal.decisions[-1].reason is not Reason.FIRST_READINGS


def test_what_is_new_makes_new_inputs_and_what_is_not_makes_none() -> None:
    """Each thing that a decision depends on: a stale copy would decide on what is over."""
    clock, water = SimulatedClock(UTC_NOON), [True]
    journal = Kept()
    turned = make_loop(clock, Script(air=16_000, reservoir=4000), journal, level=lambda: water[0])
    loop, now = turned.loop, clock.monotonic()

    def inputs_with(**given: object) -> Inputs:
        loop.tick(now, **{"band": DAY, **given})  # type: ignore[arg-type]
        assert loop.inputs is not None
        return loop.inputs

    first = inputs_with()
    assert inputs_with() is first
    assert inputs_with(band=NIGHT).band is NIGHT
    assert inputs_with(swap_due=True).swap_due is True
    assert inputs_with(records_fault="full").records_fault == "full"
    assert inputs_with(asked=Asked(reset=True)).asked.reset
    assert not inputs_with().asked.reset
    loop.outputs.fault = "pump"
    assert inputs_with().output_fault == "pump"
    water[0] = False
    assert inputs_with().level is False


def test_what_must_be_kept_is_kept_before_the_pump_starts() -> None:
    """With the pump already on in it: a power cut at the start finds the truth on the medium."""
    clock, pump = SimulatedClock(UTC_NOON), DryOutput()
    kept: list[tuple[bool, bool]] = []
    loop = make_loop(
        clock,
        Script(air=18_000, reservoir=4000),
        Kept(),
        outputs=OutputBank({"pump": pump, "fan": DryOutput()}),
        before_start=lambda cooling, _now: kept.append((cooling.pump, pump.on)),
    )

    loop.turn(clock, 600)

    assert pump.on
    assert kept == [(True, False)]
