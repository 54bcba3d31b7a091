"""One conversion for a whole bus, and what happens when the kernel does not confirm it."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.probes.bulk_read import MISSES_ALLOWED, RETRY_S, TRIGGER, BulkRead, find_buses
from controller.probes.reader_threads import Pending
from controller.probes.sysfs import read_file, write_file
from tests.support.w1_kernel import CONVERSION_S, FakeClock, FakeKernel
from tests.support.w1_tree import AIR, COIL_OUTLET, RESERVOIR, ROOM, W1Tree

IDS = {"air": AIR, "reservoir": RESERVOIR, "room": ROOM, "coil_outlet": COIL_OUTLET}


class Bench:
    """A bulk-capable bus over the fake kernel, with what it said."""

    def __init__(self, members: dict[str, str] = IDS) -> None:
        self.clock = FakeClock()
        self.kernel = FakeKernel(self.clock, dict.fromkeys(IDS.values(), 12.5))
        self.messages: list[str] = []
        self.bus = BulkRead(
            Path("/w1"),
            "w1_bus_master1",
            members,
            clock=self.clock,
            on_notice=self.messages.append,
            read=self.kernel.read,
            write=self.kernel.write,
        )


class TestTrigger:
    def test_confirmed_trigger_gives_snapshots(self) -> None:
        """A write of full length and a waiting snapshot: every probe may be read at once."""
        bench = Bench()

        assert bench.bus.trigger() is Pending.SNAPSHOT
        assert bench.kernel.triggers == [b"trigger\n"] == [TRIGGER]
        assert bench.clock() == 5000.0 + CONVERSION_S
        assert bench.messages == []

    @pytest.mark.parametrize("how", ["no_presence", "signal"])
    def test_short_write_is_not_confirmed(self, how: str) -> None:
        """No presence pulse or a signal: snapshots wait, of unknown age, to be thrown away."""
        bench = Bench()
        bench.kernel.trigger = how

        assert bench.bus.trigger() is Pending.OLD_SNAPSHOT
        assert bench.kernel.waiting == set(IDS.values())

    def test_ignored_write_leaves_nothing_to_throw_away(self) -> None:
        """A kernel that took no notice left nothing waiting: probes convert by themselves."""
        bench = Bench()
        bench.kernel.trigger = "ignored"

        assert bench.bus.trigger() is Pending.NOTHING

    def test_long_write_without_a_waiting_snapshot_is_not_confirmed(self) -> None:
        """Time alone proves nothing."""
        bench = Bench()

        def slow(path: Path, content: bytes) -> None:
            bench.clock.advance(2.0)

        bus = BulkRead(
            Path("/w1"),
            "w1_bus_master1",
            IDS,
            clock=bench.clock,
            on_notice=bench.messages.append,
            read=bench.kernel.read,
            write=slow,
        )

        assert bus.trigger() is Pending.NOTHING

    @pytest.mark.parametrize(
        ("how", "words"),
        [
            ("forbidden", "cannot be used (Permission denied)"),
            ("absent", "cannot be used (No such file or directory)"),
        ],
    )
    def test_file_that_cannot_be_written_is_reported_once(self, how: str, words: str) -> None:
        """A root-only or missing file: said once, not tried every cycle, tried again later."""
        bench = Bench()
        bench.kernel.trigger = how

        for _ in range(50):
            assert bench.bus.trigger() is Pending.NOTHING
            bench.clock.advance(5)

        assert bench.messages == [
            (
                "/w1/w1_bus_master1/therm_bulk_read: bulk conversion "
                f"{words}; probes are read one by one"
            )
        ]
        bench.clock.advance(RETRY_S)
        assert bench.bus.trigger() is Pending.NOTHING
        bench.kernel.trigger = "good"
        assert bench.bus.trigger() is Pending.NOTHING
        bench.clock.advance(RETRY_S)
        assert bench.bus.trigger() is Pending.SNAPSHOT
        assert len(bench.messages) == 1

    def test_a_confirmed_trigger_forgets_earlier_misses(self) -> None:
        """Only misses in a row make the bus rest."""
        bench = Bench()

        for how in ("no_presence", "no_presence", "good") * 5:
            bench.kernel.trigger = how
            bench.bus.trigger()

        assert len(bench.kernel.triggers) == 15
        assert bench.messages == []

    def test_repeated_misses_rest(self) -> None:
        """After several unconfirmed triggers in a row the bus is left alone for a while."""
        bench = Bench()
        bench.kernel.trigger = "no_presence"

        for _ in range(20):
            assert bench.bus.trigger() is Pending.OLD_SNAPSHOT

        assert len(bench.kernel.triggers) == MISSES_ALLOWED
        assert [line.split(": ")[1] for line in bench.messages] == [
            (
                "bulk conversion was not confirmed by the kernel several times in a row; "
                "probes are read one by one"
            )
        ]

    def test_snapshot_left_by_somebody_else_is_thrown_away(self) -> None:
        """An earlier run or another program may have left snapshots hours ago."""
        bench = Bench()
        bench.kernel.trigger = "forbidden"
        bench.kernel.waiting = {AIR}

        assert bench.bus.trigger() is Pending.OLD_SNAPSHOT

    def test_state_that_cannot_be_read_is_no_proof(self) -> None:
        """Without a readable state anything may wait."""
        bench = Bench()

        def blind(path: Path) -> bytes:
            raise PermissionError(13, "Permission denied")

        bus = BulkRead(
            Path("/w1"),
            "w1_bus_master1",
            IDS,
            clock=bench.clock,
            on_notice=bench.messages.append,
            read=blind,
            write=bench.kernel.write,
        )

        assert bus.trigger() is Pending.OLD_SNAPSHOT

    def test_single_probe_is_not_worth_a_trigger(self) -> None:
        """One probe converts as fast by itself, without a snapshot's risk."""
        bench = Bench({"air": AIR})

        assert bench.bus.trigger() is Pending.NOTHING
        assert bench.kernel.triggers == []


@pytest.mark.parametrize(
    ("numbers", "lasts_s", "confirmed"),
    [
        pytest.param({}, 0.68, True, id="12-bit-unless-told"),
        pytest.param({}, 0.67, False, id="12-bit-too-short"),
        pytest.param({"resolution": 9}, 0.09, True, id="9-bit"),
        pytest.param({"resolution": 9}, 0.08, False, id="9-bit-too-short"),
        pytest.param({"resolution": 10}, 0.17, True, id="10-bit"),
        pytest.param({"resolution": 10}, 0.16, False, id="10-bit-too-short"),
        pytest.param({"resolution": 11}, 0.34, True, id="11-bit"),
        pytest.param({"resolution": 11}, 0.33, False, id="11-bit-too-short"),
        pytest.param({"resolution": 12}, 0.68, True, id="12-bit"),
        pytest.param({"resolution": 77}, 0.67, False, id="impossible-resolution"),
        pytest.param({"conv_time": 200, "resolution": 12}, 0.19, True, id="measured"),
        pytest.param({"conv_time": 200, "resolution": 12}, 0.17, False, id="measured-too-short"),
        pytest.param({"conv_time": 0, "resolution": 9}, 0.09, True, id="no-time-set"),
    ],
)
def test_conversion_time_comes_from_the_probes(
    numbers: dict[str, int], lasts_s: float, confirmed: bool, tree: W1Tree
) -> None:
    """What a write must last: conv_time, else the data sheet's time for the resolution.

    The DS18B20 data sheet (table 2) gives 93.75, 187.5, 375 and 750 ms; nine tenths count.
    """
    for probe_id in (AIR, RESERVOIR):
        tree.add_probe(probe_id)
        for name, value in numbers.items():
            tree.set_number(probe_id, name, value)
    tree.set_bulk(0)
    clock = FakeClock(0.0)

    def kernel(path: Path, content: bytes) -> None:
        assert (path.name, content) == ("therm_bulk_read", b"trigger\n")
        clock.advance(lasts_s)
        tree.set_bulk(1)

    bus = BulkRead(
        tree.root,
        "w1_bus_master1",
        {"air": AIR, "reservoir": RESERVOIR},
        clock=clock,
        on_notice=pytest.fail,
        write=kernel,
    )

    assert (bus.trigger() is Pending.SNAPSHOT) is confirmed


def test_a_changed_resolution_is_looked_up_after_a_miss(tree: W1Tree) -> None:
    """Probes set to fewer bits in mid-run are confirmed from the second trigger on."""
    for probe_id in (AIR, RESERVOIR):
        tree.add_probe(probe_id)
    tree.set_bulk(1)
    clock = FakeClock(0.0)
    lasts_s = [0.76, 0.1, 0.1]
    bus = BulkRead(
        tree.root,
        "w1_bus_master1",
        {"air": AIR, "reservoir": RESERVOIR},
        clock=clock,
        on_notice=pytest.fail,
        write=lambda path, content: clock.advance(lasts_s.pop(0)),
    )

    at_12_bits = bus.trigger()
    tree.set_number(AIR, "resolution", 9)
    tree.set_number(RESERVOIR, "resolution", 9)

    assert (at_12_bits, bus.trigger(), bus.trigger()) == (
        Pending.SNAPSHOT,
        Pending.OLD_SNAPSHOT,
        Pending.SNAPSHOT,
    )


class TestFindBuses:
    def test_link_leads_to_the_bus(self, tmp_path: Path) -> None:
        """Each probe belongs to the bus in whose folder it lies."""
        tree = W1Tree(tmp_path, buses=2)
        tree.add_probe(AIR, bus=1)
        tree.add_probe(RESERVOIR, bus=2)

        bus_list = find_buses(tree.root, {"air": AIR, "reservoir": RESERVOIR})

        assert bus_list == {
            "w1_bus_master1": {"air": AIR},
            "w1_bus_master2": {"reservoir": RESERVOIR},
        }

    def test_absent_probe_hangs_on_the_only_bus(self, tree: W1Tree) -> None:
        """With one bus there is no other place for a probe that is unplugged now."""
        tree.add_probe(AIR)

        assert find_buses(tree.root, {"air": AIR, "room": ROOM}) == {
            "w1_bus_master1": {"air": AIR, "room": ROOM}
        }

    def test_absent_probe_of_two_buses_is_read_alone(self, tmp_path: Path) -> None:
        """With two buses nobody knows: it is left out."""
        tree = W1Tree(tmp_path, buses=2)
        tree.add_probe(AIR, bus=2)

        assert find_buses(tree.root, {"air": AIR, "room": ROOM}) == {"w1_bus_master2": {"air": AIR}}

    def test_ds28ea00_takes_no_part(self, tree: W1Tree) -> None:
        """The kernel leaves this family out of bulk conversions (w1_therm.c)."""
        tree.add_probe("42-0a1b2c3d4e09")

        assert find_buses(tree.root, {"room": "42-0a1b2c3d4e09"}) == {}

    def test_no_tree_no_bus(self, tmp_path: Path) -> None:
        """An absent tree has no bus; a link that leads to itself is nobody's home."""
        assert find_buses(tmp_path / "none", {"air": AIR}) == {}
        root = tmp_path / "w1"
        (root / "w1_bus_master1").mkdir(parents=True)
        (root / AIR).symlink_to(root / AIR)

        assert find_buses(root, {"air": AIR}) == {"w1_bus_master1": {"air": AIR}}


class TestFiles:
    """The two functions that touch the kernel's files."""

    def test_write_neither_creates_nor_empties(self, tree: W1Tree) -> None:
        """An absent file stays absent; a written one gets exactly the bytes, from its start."""
        absent = tree.bus_folder() / "therm_bulk_read"
        with pytest.raises(FileNotFoundError):
            write_file(absent, TRIGGER)
        assert not absent.exists()

        absent.write_bytes(b"0123456789")
        write_file(absent, TRIGGER)

        assert absent.read_bytes() == b"trigger\n89"

    def test_read_is_bounded_by_a_page(self, tree: W1Tree) -> None:
        """A file of 10 MB of noise costs one page."""
        path = tree.add_probe(AIR, b"\xff" * 10_000_000)

        assert read_file(path) == b"\xff" * 4096

    def test_partial_write_is_an_error(self, tree: W1Tree, monkeypatch: pytest.MonkeyPatch) -> None:
        """A kernel that took a part did not take a trigger."""
        path = tree.set_bulk(0)
        monkeypatch.setattr("controller.probes.sysfs.os.write", lambda descriptor, content: 3)

        with pytest.raises(OSError, match="took 3 of 8 bytes"):
            write_file(path, TRIGGER)
