"""Failures that people met with these probes, each through file, probe and sieve to the reading.

Every text is a complete ``w1_slave`` file whose checksum really matches unless it is marked NO.
The reports behind each case are named beside it.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from controller.domain.temperatures import Lost, Reading, Seen, millidegrees
from controller.probes.common_cause import common_cause
from controller.probes.one_wire import OneWireProbe, open_one_wire, survey
from controller.probes.recorded import RecordedSource
from controller.probes.samples import Fault, SampleSource
from controller.probes.scratchpad import judge_text, scratchpad_text
from controller.probes.sieve import RULES_BY_PLACE, Sieve, SieveRules
from tests.support.w1_kernel import FakeClock
from tests.support.w1_texts import ALL_ZERO, NOT_CONVERTED, POWER_ON, text
from tests.support.w1_tree import AIR, RESERVOIR, W1Tree
from tests.support.waiting import AT_MOST_S

POLL_S = 10.0
STALE_S = 60.0
GOOD = text("c8 00 4b 46 7f ff 08 10 02", 12_500)
ZERO = text("00 00 4b 46 7f ff 10 10 69", 0)


class Chamber:
    """Air and reservoir probe on a fake tree, polled every ten seconds of fake time."""

    def __init__(self, tree: W1Tree) -> None:
        self.tree = tree
        self.clock = FakeClock()
        self.ids = {"air": AIR, "reservoir": RESERVOIR}
        for probe_id in self.ids.values():
            tree.add_probe(probe_id, GOOD)
        self.probes = {name: OneWireProbe(tree.root, one) for name, one in self.ids.items()}
        self.sieves = {name: Sieve(RULES_BY_PLACE[name]) for name in self.ids}

    def poll(self, air: bytes | None = None, reservoir: bytes | None = None) -> None:
        """Change the files that are given, then read both probes once."""
        for name, content in (("air", air), ("reservoir", reservoir)):
            if content is not None:
                self.tree.write(self.ids[name], content)
        self.clock.advance(POLL_S)
        for name, probe in self.probes.items():
            self.sieves[name].take(probe.read(self.clock))

    def reading(self, name: str = "air") -> Reading:
        return self.sieves[name].reading(self.clock())

    def settled(self) -> Chamber:
        for _ in range(4):
            self.poll()
        assert self.reading() == self.reading("reservoir") == Seen(12_500)
        return self

    def readings(self, contents: Sequence[bytes]) -> list[Reading]:
        result = []
        for content in contents:
            self.poll(content)
            result.append(self.reading())
        return result


@pytest.fixture
def chamber(tree: W1Tree) -> Chamber:
    """A chamber whose probes have both been read a few times."""
    return Chamber(tree).settled()


class TestPowerOnValue:
    """w1thermsensor issues 46 and 75: after a dip of the supply 85 °C has a right checksum."""

    TEXT = text(POWER_ON, 85_000)

    def test_single_one_leaves_no_trace(self, chamber: Chamber) -> None:
        """One among good readings is counted with its bytes and moves nothing."""
        assert chamber.readings([GOOD, self.TEXT, GOOD]) == [Seen(12_500)] * 3
        assert chamber.sieves["air"].counts == {Fault.POWER_ON: 1}
        assert POWER_ON in chamber.sieves["air"].refused_raw

    def test_repeated_ones_end_in_lost_with_the_cause(self, chamber: Chamber) -> None:
        """Beyond the limit of age the reading is lost, and the reason says what the probe lacks."""
        readings = chamber.readings([self.TEXT] * 7)

        assert readings[:6] == [Seen(12_500)] * 6
        assert readings[6] == Lost(
            "last reading over 60 s old; power-on value: the probe has power but did not convert"
        )


class TestGenuineValuesThatLookLikeErrors:
    """Onewire_DS18X20 issues 7, 8 and 16: legal measurements that drivers were asked to mask."""

    @pytest.mark.parametrize(
        ("content", "temp_c"),
        [
            pytest.param(text("94 01 4b 46 7f ff 0c 10 26", 25_250), 25.25, id="25.25"),
            pytest.param(ZERO, 0.0, id="zero"),
            pytest.param(text("ff ff 4b 46 7f ff 01 10 9a", -62), -0.0625, id="-0.0625"),
            pytest.param(text("fb ff 4b 46 7f ff 0c 10 06", -312), -0.3125, id="-0.3125"),
        ],
    )
    def test_they_are_kept(self, content: bytes, temp_c: float, tree: W1Tree) -> None:
        """Each is a reading from the second time on, on the grid that thresholds use."""
        chamber = Chamber(tree)

        readings = chamber.readings([content, content])

        assert readings[-1] == Seen(millidegrees(temp_c))

    def test_a_measured_85_is_out_of_range_and_no_reset(self, chamber: Chamber) -> None:
        """The genuine 85.0 °C is refused for what it is."""
        readings = chamber.readings([text("50 05 4b 46 7f ff 10 10 bd", 85_000)])

        assert readings == [Seen(12_500)]
        assert chamber.sieves["air"].counts == {Fault.OUT_OF_RANGE: 1}


class TestLackOfPower:
    """OneWire (Arduino) issue 91, raspberrypi/firmware issue 1143: 127.94 °C, or 85 everywhere."""

    @pytest.mark.parametrize(
        ("digits", "printed_mc", "fault"),
        [
            pytest.param(NOT_CONVERTED[0], 127_937, Fault.NOT_CONVERTED, id="byte-6-01"),
            pytest.param(NOT_CONVERTED[1], 127_937, Fault.NOT_CONVERTED, id="byte-6-0c"),
            pytest.param(POWER_ON, 85_000, Fault.POWER_ON, id="85-everywhere"),
        ],
    )
    def test_both_probes_for_five_minutes(
        self, digits: str, printed_mc: int, fault: Fault, chamber: Chamber
    ) -> None:
        """Never a reading of heat; one sentence for both probes; lost at the limit of age."""
        content = text(digits, printed_mc)
        for _ in range(30):
            chamber.poll(content, content)
            assert chamber.reading() == Seen(12_500) or isinstance(chamber.reading(), Lost)

        cause = common_cause({name: one.last_fault for name, one in chamber.sieves.items()})

        assert isinstance(chamber.reading(), Lost)
        assert isinstance(chamber.reading("reservoir"), Lost)
        assert chamber.sieves["air"].counts == {fault: 30}
        assert cause is not None
        assert cause.startswith(f"air, reservoir: {fault.value}; check the bus supply")


class TestChecksumFailedBesideGoodBytes:
    """Older w1_therm, OneWireArduinoSlave issue 15, DS18B20_RT issue 9: NO beside old bytes."""

    ONES = b"ff ff ff ff ff ff ff ff ff : crc=c9 NO\n40 01 4b 46 7f ff 10 10 1d t=-62\n"
    ONE_BIT = b"55 01 4b 46 7f ff 0b 10 d1 : crc=d0 NO\n40 01 4b 46 7f ff 10 10 1d t=21312\n"

    @pytest.mark.parametrize("content", [ONES, ONE_BIT], ids=["all-ones", "one-bit"])
    def test_no_means_no_value(self, content: bytes, chamber: Chamber) -> None:
        """Neither the number nor the old bytes are used, and the reading grows old."""
        readings = chamber.readings([content] * 7)

        assert readings[:6] == [Seen(12_500)] * 6
        assert readings[6] == Lost("last reading over 60 s old; checksum wrong")
        assert chamber.sieves["air"].counts == {Fault.BAD_CRC: 7}


class TestSameSampleAgain:
    """raspberrypi/linux issues 2099 and 1582: a lost command returns the previous conversion."""

    def test_single_repeat_is_no_fault(self, chamber: Chamber) -> None:
        """One stale sample on a rising temperature disturbs nothing."""
        chamber.readings([scratchpad_text(mc) for mc in (12_500, 12_562, 12_562, 12_687, 12_750)])

        assert chamber.reading() == Seen(12_687)
        assert chamber.sieves["air"].counts == {}

    def test_first_reading_after_a_pause_must_be_confirmed(self, chamber: Chamber) -> None:
        """A value from before a pause of half an hour never reaches control."""
        chamber.clock.advance(1800)

        readings = chamber.readings([scratchpad_text(mc) for mc in (9_000, 13_187, 13_187)])

        assert [type(one) for one in readings] == [Lost, Lost, Seen]
        assert readings[-1] == Seen(13_187)

    def test_first_reading_after_a_start_must_be_confirmed(self, tree: W1Tree) -> None:
        """So it is after a restart."""
        readings = Chamber(tree).readings([scratchpad_text(mc) for mc in (9_000, 13_187, 13_187)])

        assert [type(one) for one in readings] == [Lost, Lost, Seen]

    def test_six_hours_to_the_bit_on_a_moving_plant(self, chamber: Chamber) -> None:
        """Eight switchings without a step of the probe: a notice, and the reading stands."""
        air = chamber.sieves["air"]
        for cycle in range(6 * 360):
            if cycle % 270 == 0:
                air.moved()
            chamber.poll()

        assert air.stuck(chamber.clock())
        assert chamber.reading() == Seen(12_500)
        assert air.counts == {}


class TestPhantomDevices:
    """raspberrypi/firmware issue 348: a missing pull-up invents devices, one more each minute."""

    def test_ghosts_are_never_offered_and_nothing_grows(self, chamber: Chamber) -> None:
        """Five hundred names of family 00 and an empty serial: counted, not kept, not read."""
        tree = chamber.tree
        tree.remove(RESERVOIR)
        tree.add_ghost("28-000000000000")
        for number in range(500):
            tree.add_ghost(f"00-{number:011x}0")

        result = survey(tree.root)
        chamber.poll()

        assert (result.ids, result.ghosts) == ((AIR,), 501)
        assert chamber.reading() == Seen(12_500)
        assert chamber.sieves["reservoir"].last_fault is Fault.ABSENT


class TestReadThatNeverReturns:
    """raspberrypi/linux issues 374 and 3491: a bus that hangs for good."""

    def test_ten_minutes_of_it(self, tree: W1Tree) -> None:
        """Lost within the limit of age, one thread a probe, the other probe read all along."""
        for probe_id in (AIR, RESERVOIR):
            tree.add_probe(probe_id, GOOD)
        clock, arrived = FakeClock(), threading.Semaphore(0)
        reader = open_one_wire(
            tree.root,
            {"air": AIR, "reservoir": RESERVOIR},
            every_s=POLL_S,
            deadline_s=3.0,
            clock=clock,
            on_notice=lambda notice: None,
            wake=arrived.release,
        )
        sieves = {"air": Sieve(SieveRules()), "reservoir": Sieve(SieveRules())}
        threads = set(threading.enumerate())

        def cycle(source: SampleSource, answers: int) -> None:
            for name, sample in source.collect(clock()):
                sieves[name].take(sample)
            for _ in range(answers):
                assert arrived.acquire(timeout=AT_MOST_S)
            for name, sample in source.collect(clock()):
                sieves[name].take(sample)
            clock.advance(POLL_S)

        for _ in range(3):
            cycle(reader, answers=2)
        tree.block(AIR)
        lost_after_s = None
        hung_at = clock()
        for _ in range(60):
            cycle(reader, answers=1)
            if lost_after_s is None and isinstance(sieves["air"].reading(clock()), Lost):
                lost_after_s = clock() - hung_at
        reader.close()

        assert lost_after_s is not None
        assert lost_after_s <= STALE_S + POLL_S
        assert sieves["reservoir"].reading(clock()) == Seen(12_500)
        assert set(threading.enumerate()) <= threads
        assert sieves["air"].counts == {Fault.LATE: 1}


class TestCutOffFile:
    """w1thermsensor issues 94, 96 and 98: index errors out of half a file."""

    @pytest.mark.parametrize(
        ("content", "fault"),
        [
            pytest.param(b"", Fault.EMPTY, id="empty"),
            pytest.param(b"c8 00 4b 46 7f ff 08 10 02 : crc=02 YES\n", Fault.BAD_TEXT, id="a-line"),
            pytest.param(GOOD[:-6], Fault.BAD_TEXT, id="no-number"),
            pytest.param(b"\xff" + GOOD[1:], Fault.BAD_TEXT, id="not-text"),
            pytest.param(text(ALL_ZERO), Fault.ALL_ZERO, id="shorted-line"),
            pytest.param(b"not found.\n", Fault.BAD_TEXT, id="not-found"),
        ],
    )
    def test_one_probe_in_one_cycle(self, content: bytes, fault: Fault, chamber: Chamber) -> None:
        """A fault of that probe alone; no number stands in for the missing one."""
        chamber.poll(content, scratchpad_text(12_562))
        chamber.poll(GOOD, scratchpad_text(12_562))

        assert chamber.sieves["air"].counts == {fault: 1}
        assert chamber.sieves["reservoir"].counts == {}
        assert (chamber.reading(), chamber.reading("reservoir")) == (Seen(12_500), Seen(12_562))


class TestDampProbe:
    """PICAXE forum thread 29576, Arduino forum topic 656654: a constant, believable value."""

    def test_fall_of_twelve_degrees_is_held_then_believed(self, tree: W1Tree) -> None:
        """One cycle from 12 to 0 °C: held, shown as a jump, believed after the third."""
        chamber = Chamber(tree)
        chamber.readings([scratchpad_text(12_000)] * 4)
        air = chamber.sieves["air"]

        first = chamber.readings([ZERO])
        held_mc, fault = air.held_mc, air.last_fault
        rest = chamber.readings([ZERO, ZERO])

        assert (first, held_mc, fault) == ([Seen(12_000)], 0, Fault.JUMP)
        assert rest == [Seen(12_000), Seen(0)]
        assert air.counts == {Fault.JUMP: 3}

    def test_stuck_in_a_chamber_that_warms(self, chamber: Chamber) -> None:
        """Stuck for hours without a step while outputs switched: the notice comes."""
        air = chamber.sieves["air"]
        chamber.readings([scratchpad_text(11_000)] * 3)
        noticed_after = None
        for cycle in range(7 * 360):
            if cycle in (100, 700):
                air.moved()
            chamber.poll()
            if noticed_after is None and air.stuck(chamber.clock()):
                noticed_after = cycle * POLL_S

        assert noticed_after == pytest.approx(6 * 3600, abs=60)


class TestRounding:
    """w1thermsensor pull request 51: the kernel cuts 19.8125 to 19.812."""

    @pytest.mark.parametrize("temp_c", [21.3125, 19.8125, -0.3125, 18.0, 22.0])
    def test_one_temperature_by_every_path(self, temp_c: float, tree: W1Tree) -> None:
        """Bytes, the kernel's number and a recorded row meet on the same millidegree."""
        content = scratchpad_text(millidegrees(temp_c))
        printed_mc = int(content.rsplit(b"t=", 1)[1])
        path = tree.root / "past.csv"
        path.write_text(f"time,air_c\n2026-07-01T12:00:00Z,{temp_c}\n")

        [(_, recorded)] = RecordedSource(path, 0.0).collect(0.0)

        assert judge_text(content).value_mc == printed_mc == recorded.value_mc
        assert printed_mc == millidegrees(temp_c)


def test_a_reader_is_a_sample_source(tmp_path: Path) -> None:
    """The service sees threads, playback and tests through one door."""
    source: SampleSource = open_one_wire(
        tmp_path, {}, every_s=1.0, deadline_s=1.0, on_notice=pytest.fail
    )

    assert list(source.collect(0.0)) == []
    source.close()
