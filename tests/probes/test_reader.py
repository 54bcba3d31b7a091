"""Threads that read, and a collector that never waits."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from controller.domain.temperatures import Lost, Seen
from controller.probes.one_wire import OneWireProbe, open_one_wire
from controller.probes.reader_threads import Bus, Pending, ReadableProbe, ThreadedReader
from controller.probes.samples import Fault, Sample
from controller.probes.scratchpad import scratchpad_text
from controller.probes.sieve import Sieve, SieveRules
from controller.probes.sysfs import ReadFile, WriteFile, read_file, write_file
from tests.support.w1_kernel import FakeClock, FakeKernel
from tests.support.w1_tree import AIR, COIL_OUTLET, RESERVOIR, ROOM, W1Tree
from tests.support.waiting import AT_MOST_S

"""Longest wait for a thread before a test gives up; nothing waits that long when all is well."""
EVERY_S = 5.0
DEADLINE_S = 3.0
IDS = {"air": AIR, "reservoir": RESERVOIR, "room": ROOM, "coil_outlet": COIL_OUTLET}


class Bench:
    """A reader whose threads a test can wait for."""

    def __init__(self) -> None:
        self.clock = FakeClock()
        self.notices: list[str] = []
        self._arrived = threading.Semaphore(0)
        self._readers: list[ThreadedReader] = []

    def reader(self, probes: Mapping[str, ReadableProbe], *buses: Bus) -> ThreadedReader:
        made = ThreadedReader(
            probes,
            clock=self.clock,
            every_s=EVERY_S,
            deadline_s=DEADLINE_S,
            buses=buses,
            wake=self._arrived.release,
        )
        self._readers.append(made)
        return made

    def one_wire(
        self,
        root: Path,
        ids: Mapping[str, str] = IDS,
        *,
        read: ReadFile = read_file,
        write: WriteFile = write_file,
    ) -> ThreadedReader:
        made = open_one_wire(
            root,
            ids,
            every_s=EVERY_S,
            deadline_s=DEADLINE_S,
            clock=self.clock,
            on_notice=self.notices.append,
            read=read,
            write=write,
            wake=self._arrived.release,
        )
        self._readers.append(made)
        return made

    def wait(self, samples: int) -> None:
        for _ in range(samples):
            assert self._arrived.acquire(timeout=AT_MOST_S), "a probe's thread gave nothing"

    def cycle(self, reader: ThreadedReader, samples: int) -> dict[str, Sample]:
        """Ask, wait for so many samples, and return what came, with the clock one tick on."""
        collected = dict(reader.collect(self.clock()))
        self.wait(samples)
        collected |= dict(reader.collect(self.clock()))
        self.clock.advance(EVERY_S)
        return collected

    def close(self) -> None:
        for reader in self._readers:
            reader.close()


@pytest.fixture
def bench() -> Iterator[Bench]:
    """A bench whose readers are closed at the end."""
    built = Bench()
    yield built
    built.close()


class Scripted:
    """A probe that does what its test says."""

    def __init__(self, act: Callable[[], int]) -> None:
        self.act = act
        self.drained = 0

    def read(self, clock: Callable[[], float]) -> Sample:
        value_mc = self.act()
        return Sample(clock(), value_mc)

    def drain(self) -> None:
        self.drained += 1


def constant() -> Scripted:
    return Scripted(lambda: 12_500)


class Gate:
    """Holds a thread inside a read until the test opens it."""

    def __init__(self) -> None:
        self.entered = threading.Semaphore(0)
        self.opened = threading.Event()

    def __call__(self) -> int:
        self.entered.release()
        assert self.opened.wait(AT_MOST_S)
        return 12_500


class IdleBus:
    """A bus that never converts for its probes."""

    names = ("reservoir",)

    def trigger(self) -> Pending:
        return Pending.NOTHING


class TestCollect:
    def test_first_call_asks_and_returns_nothing(self, bench: Bench) -> None:
        """The collector never waits: the first sample comes with a later call."""
        reader = bench.reader({"air": constant()})

        assert reader.collect(5000.0) == []
        bench.wait(1)
        assert reader.collect(5001.0) == [("air", Sample(5000.0, 12_500))]
        assert reader.collect(5001.0) == []

    def test_reads_follow_the_interval(self, bench: Bench) -> None:
        """A probe is asked again after the interval, a tenth of it forgiven, not before."""
        asked: list[float] = []

        def note() -> int:
            asked.append(bench.clock())
            return 12_500

        reader = bench.reader({"air": Scripted(note)})

        for _ in range(40):
            reader.collect(bench.clock())
            if (bench.clock() - 5000.0) % EVERY_S == 0:
                bench.wait(1)
            bench.clock.advance(0.5)

        assert asked == [5000.0, 5005.0, 5010.0, 5015.0]

    def test_a_tick_that_comes_early_still_reads(self, bench: Bench) -> None:
        """Jitter of the loop does not halve the rate."""
        reader = bench.reader({"air": constant()})
        reader.collect(5000.0)
        bench.wait(1)

        reader.collect(5004.5)

        bench.wait(1)
        assert len(reader.collect(5004.6)) == 1

    def test_samples_come_in_the_order_in_which_they_were_read(self, bench: Bench) -> None:
        """However late a thread hands over, the collector sorts by instant."""
        stamped, handed_over = threading.Event(), threading.Event()

        class Dawdler(Scripted):
            def read(self, clock: Callable[[], float]) -> Sample:
                sample = super().read(clock)
                stamped.set()
                assert handed_over.wait(AT_MOST_S)
                return sample

        def after_the_other() -> int:
            assert stamped.wait(AT_MOST_S)
            bench.clock.advance(1)
            return 12_500

        reader = bench.reader(
            {"air": Dawdler(lambda: 12_500), "room": Scripted(after_the_other)},
        )
        reader.collect(bench.clock())
        bench.wait(1)
        handed_over.set()
        bench.wait(1)

        collected = reader.collect(bench.clock())

        assert collected == [("air", Sample(5000.0, 12_500)), ("room", Sample(5001.0, 12_500))]

    def test_mailbox_stays_small_when_nobody_collects(self, bench: Bench) -> None:
        """A sample that waits to be collected keeps its probe from being read again."""
        reads: list[float] = []

        def note() -> int:
            reads.append(bench.clock())
            return 12_500

        reader = bench.reader({"air": Scripted(note)})
        reader.collect(bench.clock())
        bench.wait(1)

        bench.clock.advance(1000)

        assert len(reads) == 1
        assert len(reader.collect(bench.clock())) == 1

    @pytest.mark.parametrize(
        ("every_s", "deadline_s"), [(0.0, 1.0), (1.0, 0.0), (1.0, float("nan"))]
    )
    def test_times_must_be_above_zero(self, every_s: float, deadline_s: float) -> None:
        """A reader that would never or always read is refused."""
        with pytest.raises(ValueError, match=f"above zero, found {every_s} and {deadline_s}"):
            ThreadedReader({}, every_s=every_s, deadline_s=deadline_s)


class TestStuckRead:
    def test_stuck_probe_delays_nobody(self, bench: Bench) -> None:
        """While one probe hangs the other is read every cycle and the collector returns at once."""
        gate = Gate()
        reader = bench.reader({"air": Scripted(gate), "reservoir": constant()})

        seen = [bench.cycle(reader, samples=1) for _ in range(3)]

        gate.opened.set()
        assert [one["reservoir"].value_mc for one in seen] == [12_500] * 3
        assert [one["air"].fault for one in seen if "air" in one] == [Fault.LATE]

    def test_deadline_gives_one_fault(self, bench: Bench) -> None:
        """A read past its deadline is one counted fault, however long it lasts."""
        gate = Gate()
        reader = bench.reader({"air": Scripted(gate)})
        reader.collect(5000.0)

        on_limit = reader.collect(5000.0 + DEADLINE_S)
        beyond = reader.collect(5000.0 + DEADLINE_S + 0.1)
        later = [reader.collect(5010.0 + count) for count in range(100)]

        gate.opened.set()
        assert on_limit == []
        assert beyond == [("air", Sample(5003.1, None, Fault.LATE))]
        assert later == [[]] * 100

    def test_late_sample_is_thrown_away(self, bench: Bench) -> None:
        """What a stuck read brings back may be old: it never reaches the sieve."""
        gate = Gate()
        reader = bench.reader({"air": Scripted(gate)})
        reader.collect(5000.0)
        assert gate.entered.acquire(timeout=AT_MOST_S)
        bench.clock.advance(100)
        assert [named[1].fault for named in reader.collect(bench.clock())] == [Fault.LATE]
        gate.opened.set()
        bench.wait(1)

        assert reader.collect(bench.clock()) == []
        bench.wait(1)  # and it is asked again at once
        assert reader.collect(bench.clock()) == [("air", Sample(5100.0, 12_500))]

    def test_late_sample_that_nobody_missed_is_counted_all_the_same(self, bench: Bench) -> None:
        """A read that took too long between two calls of the collector gives the fault."""

        def slow() -> int:
            bench.clock.advance(DEADLINE_S + 0.5)
            return 12_500

        reader = bench.reader({"air": Scripted(slow)})
        reader.collect(5000.0)
        bench.wait(1)

        assert reader.collect(5003.5) == [("air", Sample(5003.5, None, Fault.LATE))]

    def test_sample_on_the_deadline_is_kept(self, bench: Bench) -> None:
        """A read that takes just as long as it may is good."""

        def slow() -> int:
            bench.clock.advance(DEADLINE_S)
            return 12_500

        reader = bench.reader({"air": Scripted(slow)})
        reader.collect(5000.0)
        bench.wait(1)

        assert reader.collect(5003.0) == [("air", Sample(5003.0, 12_500))]

    def test_threads_do_not_grow(self, bench: Bench) -> None:
        """Ten minutes with a stuck read: one thread a probe, at most one read each."""
        gate = Gate()
        reader = bench.reader({"air": Scripted(gate), "reservoir": constant()})
        before = set(threading.enumerate())

        for _ in range(120):
            reader.collect(bench.clock())
            bench.wait(1)
            reader.collect(bench.clock())
            bench.clock.advance(EVERY_S)

        assert set(threading.enumerate()) <= before  # one of another test may end meanwhile
        assert gate.entered.acquire(timeout=AT_MOST_S)
        assert not gate.entered.acquire(blocking=False)
        gate.opened.set()

    def test_close_leaves_a_stuck_thread_behind(self, bench: Bench) -> None:
        """Closing returns at once; idle threads end, the stuck one ends when it comes back."""
        gate = Gate()
        before = set(threading.enumerate())
        reader = bench.reader({"air": Scripted(gate), "reservoir": constant()}, IdleBus())
        mine = [thread for thread in threading.enumerate() if thread not in before]
        reader.collect(bench.clock())
        bench.wait(1)

        reader.close()
        reader.close()

        assert {thread.name: thread.daemon for thread in mine} == {
            "probe-air": True,
            "probe-reservoir": True,
            "bus-reservoir": True,
        }
        stuck = next(thread for thread in mine if thread.name == "probe-air")
        for idle in mine:
            if idle is not stuck:
                idle.join(AT_MOST_S)
        assert [thread.name for thread in mine if thread.is_alive()] == ["probe-air"]
        gate.opened.set()
        stuck.join(AT_MOST_S)
        assert not stuck.is_alive()
        assert reader.collect(bench.clock() + 60) == []

    def test_pipe_that_nobody_writes_to(self, bench: Bench, tree: W1Tree) -> None:
        """A real read that hangs in the kernel: late, then lost, and well again after it."""
        for probe_id in (AIR, RESERVOIR):
            tree.add_probe(probe_id)
        reader = bench.one_wire(tree.root, {"air": AIR, "reservoir": RESERVOIR})
        air, reservoir = Sieve(SieveRules()), Sieve(SieveRules())
        sieves = {"air": air, "reservoir": reservoir}

        def cycles(count: int, samples: int) -> None:
            for _ in range(count):
                for name, sample in reader.collect(bench.clock()):
                    sieves[name].take(sample)
                bench.wait(samples)
                for name, sample in reader.collect(bench.clock()):
                    sieves[name].take(sample)
                bench.clock.advance(EVERY_S)

        cycles(3, samples=2)
        assert air.reading(bench.clock()) == Seen(20_000)
        tree.block(AIR)
        cycles(14, samples=1)
        assert air.reading(bench.clock()) == Lost(f"last reading over 60 s old; {Fault.LATE.value}")
        assert reservoir.reading(bench.clock()) == Seen(20_000)

        tree.set(AIR, 15.0)
        tree.release(AIR, scratchpad_text(20_000))
        bench.wait(1)
        cycles(3, samples=2)

        assert air.reading(bench.clock()) == Seen(15_000)
        assert air.counts == {Fault.LATE: 1}


class TestSurprise:
    def test_exception_is_a_fault_of_that_probe_alone(self, bench: Bench) -> None:
        """Whatever a probe raises, it is logged once with its type, counted, and read on."""

        def fail() -> int:
            raise IndexError("list index out of range")

        reader = bench.reader({"air": Scripted(fail), "reservoir": constant()})
        with capture_logs() as logs:
            seen = [bench.cycle(reader, samples=2)]
            assert len(logs) == 1
            seen += [bench.cycle(reader, samples=2) for _ in range(4)]

        assert [one["air"].fault for one in seen] == [Fault.UNREADABLE] * 5
        assert [one["air"].raw for one in seen] == ["IndexError"] * 5
        assert [one["reservoir"].value_mc for one in seen] == [12_500] * 5
        assert logs == [
            {
                "event": "probe_surprise",
                "log_level": "error",
                "probe": "air",
                "type": "IndexError",
                "error": "list index out of range",
            }
        ]
        assert reader.complaints == {("air", "IndexError"): 5}

    def test_log_that_fails_ends_no_thread(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A log whose reader is gone, and an exception without a text, do no harm either."""

        class MuteError(Exception):
            def __str__(self) -> str:
                raise RuntimeError("no text")

        class BrokenLog:
            def error(self, event: str, **fields: object) -> None:
                assert fields["error"] == "(no text)"
                raise BrokenPipeError

        def fail() -> int:
            raise MuteError

        monkeypatch.setattr("controller.probes.reader_threads._log", BrokenLog())
        reader = bench.reader({"air": Scripted(fail)})

        seen = [bench.cycle(reader, samples=1) for _ in range(3)]

        assert [one["air"].fault for one in seen] == [Fault.UNREADABLE] * 3

    def test_bus_that_raises_leaves_its_probes_readable(self, bench: Bench) -> None:
        """A surprise in the bus's thread: what may wait is thrown away, then each converts."""

        class BadBus:
            names = ("air", "reservoir")

            def trigger(self) -> Pending:
                raise ZeroDivisionError

        probes = {"air": constant(), "reservoir": constant()}
        reader = bench.reader(probes, BadBus())

        seen = [bench.cycle(reader, samples=2) for _ in range(2)]

        assert [sorted(one) for one in seen] == [["air", "reservoir"]] * 2
        assert [probe.drained for probe in probes.values()] == [2, 2]
        assert reader.complaints == {("air-reservoir", "ZeroDivisionError"): 2}

    def test_signals_stay_out_of_the_reading_threads(self, bench: Bench) -> None:
        """A signal on a reading thread would cut the kernel's wait short."""
        blocked: list[set[int]] = []

        def read_once() -> int:
            blocked.append(set(signal.pthread_sigmask(signal.SIG_BLOCK, ())))
            return 12_500

        class Looking:
            names = ("air",)

            def trigger(self) -> Pending:
                read_once()
                return Pending.NOTHING

        reader = bench.reader({"air": Scripted(read_once)}, Looking())
        bench.cycle(reader, samples=1)

        kept_out = {signal.SIGTERM, signal.SIGINT, signal.SIGHUP}
        assert [one & kept_out for one in blocked] == [kept_out, kept_out]
        assert not signal.pthread_sigmask(signal.SIG_BLOCK, ()) & kept_out


class TestBus:
    def make(self, bench: Bench, tree: W1Tree) -> tuple[ThreadedReader, FakeKernel]:
        for probe_id in IDS.values():
            tree.add_probe(probe_id)
        kernel = FakeKernel(bench.clock, dict.fromkeys(IDS.values(), 12.5))
        return bench.one_wire(tree.root, read=kernel.read, write=kernel.write), kernel

    def test_four_probes_cost_one_conversion(self, bench: Bench, tree: W1Tree) -> None:
        """One trigger a cycle and no conversion of a probe's own."""
        reader, kernel = self.make(bench, tree)

        for temp_c in (12.5, 13.0, 13.5):
            kernel.temps_c.update(dict.fromkeys(IDS.values(), temp_c))
            seen = bench.cycle(reader, samples=4)
            assert {name: one.value_mc for name, one in seen.items()} == dict.fromkeys(
                IDS, int(temp_c * 1000)
            )

        assert kernel.triggers == [b"trigger\n"] * 3
        assert kernel.conversions == {}

    @pytest.mark.parametrize("how", ["no_presence", "signal", "ignored"])
    def test_unconfirmed_trigger_never_gives_an_old_value(
        self, how: str, bench: Bench, tree: W1Tree
    ) -> None:
        """The kernel hands out the snapshot of long ago as fresh; it is drained before reading."""
        reader, kernel = self.make(bench, tree)
        bench.cycle(reader, samples=4)
        kernel.trigger = how

        seen = []
        for temp_c in (20.0, 21.0, 22.0, 23.0, 24.0, 25.0):
            kernel.temps_c.update(dict.fromkeys(IDS.values(), temp_c))
            seen.append({one.value_mc for one in bench.cycle(reader, samples=4).values()})

        assert seen == [{20_000}, {21_000}, {22_000}, {23_000}, {24_000}, {25_000}]

    def test_root_only_file_falls_back_to_overlapping_reads(
        self, bench: Bench, tree: W1Tree
    ) -> None:
        """An unprivileged service reads each probe by itself and says once why."""
        reader, kernel = self.make(bench, tree)
        kernel.trigger = "forbidden"

        for _ in range(5):
            assert len(bench.cycle(reader, samples=4)) == 4

        assert kernel.conversions == dict.fromkeys(IDS.values(), 5)
        assert len(bench.notices) == 1
        assert "Permission denied" in bench.notices[0]

    def test_plain_files_are_read_one_by_one(self, bench: Bench, tree: W1Tree) -> None:
        """On a fake tree whose bulk file is a plain one nothing is ever confirmed."""
        for probe_id in IDS.values():
            tree.add_probe(probe_id)
        path = tree.set_bulk(0)

        reader = bench.one_wire(tree.root)

        assert {
            name: one.value_mc for name, one in bench.cycle(reader, samples=4).items()
        } == dict.fromkeys(IDS, 20_000)
        assert path.read_bytes() == b"trigger\n"

    def test_own_reads_of_one_bus_overlap(self, bench: Bench, tree: W1Tree) -> None:
        """Without bulk conversion all four probes are inside their read at the same time."""
        for probe_id in IDS.values():
            tree.add_probe(probe_id)
        barrier = threading.Barrier(4)

        def read(path: Path) -> bytes:
            if path.name == "w1_slave":
                barrier.wait(AT_MOST_S)  # broken unless four are here at once
            return read_file(path)

        reader = bench.one_wire(tree.root, read=read)

        seen = [bench.cycle(reader, samples=4) for _ in range(2)]

        assert [{one.fault for one in cycle.values()} for cycle in seen] == [{None}, {None}]

    def test_stuck_trigger_makes_its_probes_late_and_no_other(
        self, bench: Bench, tmp_path: Path
    ) -> None:
        """A bus that hangs in its trigger is late; a probe on another bus is read all the same."""
        gate = Gate()

        class Hung:
            names = ("air", "reservoir")

            def trigger(self) -> Pending:
                gate()
                return Pending.SNAPSHOT

        probes = {"air": constant(), "reservoir": constant(), "room": constant()}
        reader = bench.reader(probes, Hung())
        before = set(threading.enumerate())

        collected = []
        for _ in range(10):
            collected += reader.collect(bench.clock())
            bench.wait(1)
            collected += reader.collect(bench.clock())
            bench.clock.advance(EVERY_S)

        late = [name for name, sample in collected if sample.fault is Fault.LATE]
        read = [name for name, sample in collected if sample.fault is None]
        assert late == ["air", "reservoir"]
        assert read == ["room"] * 10
        assert set(threading.enumerate()) <= before  # one of another test may end meanwhile
        gate.opened.set()

    def test_a_probe_stuck_on_a_bus_does_not_hold_up_the_others(self, bench: Bench) -> None:
        """The bus goes on for those that are idle."""
        gate = Gate()
        asked = []

        class Counting:
            names = ("air", "reservoir")

            def trigger(self) -> Pending:
                asked.append(bench.clock())
                return Pending.NOTHING

        reader = bench.reader({"air": Scripted(gate), "reservoir": constant()}, Counting())

        seen = []
        for _ in range(4):
            seen += reader.collect(bench.clock())
            bench.wait(1)
            seen += reader.collect(bench.clock())
            bench.clock.advance(EVERY_S)

        gate.opened.set()
        assert [name for name, sample in seen if sample.fault is None] == ["reservoir"] * 4
        assert len(asked) == 4


def test_probes_of_the_package_fit_the_reader(tree: W1Tree) -> None:
    """A 1-Wire probe is what the reader asks for; its drain never raises."""
    probe: ReadableProbe = OneWireProbe(tree.root, AIR)

    probe.drain()

    assert probe.read(FakeClock()).fault is Fault.ABSENT
