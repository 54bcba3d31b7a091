"""Probes through w1thermsensor and a fake tree, from the file to the reading control sees."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.temperatures import Lost, Seen, millidegrees
from controller.errors import ProbeError
from controller.probes.one_wire import (
    DOUBT_MEMORY_S,
    ROOT,
    OneWireProbe,
    Survey,
    id_problem,
    list_ids,
    survey,
)
from controller.probes.samples import Fault, Sample
from controller.probes.sieve import Sieve, SieveRules
from tests.support.w1_kernel import FakeClock
from tests.support.w1_texts import DATA_SHEET, POWER_ON, SheetRow, text, with_crc
from tests.support.w1_tree import AIR, RESERVOIR, W1Tree

WIDE = SieveRules(lowest_mc=-55_000, highest_mc=125_000)
COPY_AT_25 = text(with_crc("90 01 55 05 7f 7e 81 66"), 25_000)
COPY_NEAR_25 = text(with_crc("80 01 55 05 7f 7e 81 66"), 24_000)
COPY_AT_12 = text(with_crc("c8 00 55 05 7f 7e 81 66"), 12_500)


@pytest.mark.parametrize("row", DATA_SHEET, ids=lambda row: f"{row.temp_c}C")
def test_data_sheet_reaches_control(row: SheetRow, tree: W1Tree) -> None:
    """Every row of the DS18B20 data sheet's table: file, sample, sieve, reading."""
    tree.add_probe(AIR, text(row.scratchpad, row.kernel_mc))
    probe, sieve, clock = OneWireProbe(tree.root, AIR), Sieve(WIDE), FakeClock()

    for _ in range(2):
        clock.advance(10)
        sample = probe.read(clock)
        sieve.take(sample)

    assert sample == Sample(
        clock(),
        millidegrees(row.temp_c),
        None,
        f"{row.scratchpad} : crc={row.scratchpad[-2:]} YES {row.scratchpad} t={row.kernel_mc}",
    )
    assert sieve.reading(clock()) == Seen(row.kernel_mc)


@given(sixteenths=st.integers(-880, 2000).filter(lambda raw: raw != 1360))
def test_good_readings_agree_with_the_library(
    sixteenths: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """w1thermsensor's own decoding gives the same temperature (85.0 apart, which it refuses)."""
    tree = W1Tree(tmp_path_factory.mktemp("w1"))
    tree.add_probe(AIR)
    tree.set(AIR, sixteenths / 16)
    probe = OneWireProbe(tree.root, AIR)
    import w1thermsensor

    class Reference(w1thermsensor.W1ThermSensor):  # type: ignore[misc]
        BASE_DIRECTORY = tree.root

    reference_c = Reference(w1thermsensor.Sensor.DS18B20, AIR[3:]).get_temperature()

    assert probe.read(FakeClock()).value_mc == millidegrees(reference_c)


def in_a_fresh_interpreter(code: str) -> tuple[int, str, str]:
    """Run a few lines as a laptop would, and return exit status, output and errors."""
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        cwd=Path(__file__).parents[2],
        env={name: value for name, value in os.environ.items() if "W1THERM" not in name},
    )
    return done.returncode, done.stdout, done.stderr


class TestLibrary:
    def test_import_needs_neither_bus_nor_library(self) -> None:
        """On a laptop the module imports at once: the library is not even loaded."""
        code = "import sys, controller.probes.one_wire; print('w1thermsensor' in sys.modules)"

        assert in_a_fresh_interpreter(code) == (0, "False\n", "")

    def test_library_loads_without_kernel_modules(self, tree: W1Tree) -> None:
        """Where the library is needed it tries no modprobe, which would raise on a laptop."""
        code = (
            "from pathlib import Path; from controller.probes.one_wire import list_ids;"
            f"print(list_ids(Path({str(tree.root)!r})))"
        )

        assert in_a_fresh_interpreter(code) == (0, "()\n", "")

    def test_two_trees_do_not_meet(self, tmp_path: Path) -> None:
        """Each tree has its own class; the library's own one keeps its folder."""
        import w1thermsensor

        one, two = W1Tree(tmp_path / "one"), W1Tree(tmp_path / "two")
        one.add_probe(AIR)
        two.add_probe(AIR)
        one.set(AIR, 12.5)
        two.set(AIR, 20.0)
        first, second = OneWireProbe(one.root, AIR), OneWireProbe(two.root, AIR)

        assert first.read(FakeClock()).value_mc == 12_500
        assert second.read(FakeClock()).value_mc == 20_000
        assert w1thermsensor.W1ThermSensor.BASE_DIRECTORY == ROOT

    @pytest.mark.parametrize(
        "probe_id",
        ["10-0a1b2c3d4e01", "22-0a1b2c3d4e01", AIR, "3b-0a1b2c3d4e01", "42-0a1b2c3d4e01"],
    )
    def test_every_family_is_found_at_its_place(self, probe_id: str, tree: W1Tree) -> None:
        """The library's family table leads to the device's own folder."""
        tree.add_probe(probe_id)

        assert OneWireProbe(tree.root, probe_id).path == tree.file(probe_id)


class TestFaults:
    def test_probe_that_is_not_there(self, tree: W1Tree) -> None:
        """A probe may be absent when it is named, come later, and go again."""
        probe, clock = OneWireProbe(tree.root, AIR), FakeClock()

        absent = probe.read(clock)
        tree.add_probe(AIR)
        there = probe.read(clock)
        tree.remove(AIR)
        absent = probe.read(clock)

        assert absent.fault is Fault.ABSENT
        assert absent.raw == f"{tree.file(AIR)}: No such file or directory"
        assert there.value_mc == 20_000
        assert absent.fault is Fault.ABSENT

    def test_tree_that_is_not_there(self, tmp_path: Path) -> None:
        """Without 1-Wire enabled a probe is not on the bus; nothing is raised."""
        assert OneWireProbe(tmp_path / "none", AIR).read(FakeClock()).fault is Fault.ABSENT

    @pytest.mark.parametrize(
        ("code", "fault"),
        [
            (errno.EACCES, Fault.UNREADABLE),
            (errno.EIO, Fault.UNREADABLE),
            (errno.ENODEV, Fault.ABSENT),
            (errno.ENOTDIR, Fault.ABSENT),
        ],
        ids=["root-only-file", "input-output-error", "no-device", "not-a-folder"],
    )
    def test_file_that_refuses(self, code: int, fault: Fault, tree: W1Tree) -> None:
        """What the kernel refuses is a fault with its words, never an exception."""

        def refuse(path: Path) -> bytes:
            raise OSError(code, "refused by the test")

        sample = OneWireProbe(tree.root, AIR, read=refuse).read(FakeClock())

        assert sample == Sample(5000.0, None, fault, f"{tree.file(AIR)}: refused by the test")

    def test_instant_is_that_of_completion(self, tree: W1Tree) -> None:
        """A read that takes its time is as old as its end."""
        clock = FakeClock()

        def slow(path: Path) -> bytes:
            clock.advance(0.8)
            return text(DATA_SHEET[3].scratchpad)

        assert OneWireProbe(tree.root, AIR, read=slow).read(clock).at == 5000.8

    def test_raw_text_cannot_steer_a_terminal(self, tree: W1Tree) -> None:
        """What goes to the log is one printable line of bounded length."""
        tree.add_probe(AIR, b"\x1b[2J\xff\x00 junk\n" * 100)

        raw = OneWireProbe(tree.root, AIR).read(FakeClock()).raw

        assert raw.isprintable()
        assert len(raw) <= 120
        assert "junk" in raw

    @given(content=st.binary(max_size=120))
    def test_no_content_raises(
        self, content: bytes, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        """Any bytes in the file give a sample with a temperature or a fault."""
        probe = OneWireProbe(Path("/nowhere"), AIR, read=lambda path: content)

        sample = probe.read(FakeClock())

        assert (sample.value_mc is None) is (sample.fault is not None)
        assert sample.raw.isprintable()

    def test_drain_reads_and_says_nothing(self, tree: W1Tree) -> None:
        """What a bulk conversion left is read once; a probe that is gone raises nothing."""
        drained: list[Path] = []

        def read(path: Path) -> bytes:
            drained.append(path)
            raise OSError(errno.ENODEV, "No such device")

        OneWireProbe(tree.root, AIR, read=read).drain()

        assert drained == [tree.file(AIR)]


class TestCopyAtPowerOn:
    """Copies of the chip wake up at exactly 25 °C (counterfeit_DS18B20, family D)."""

    def faults(self, probe: OneWireProbe, tree: W1Tree, *texts: bytes) -> list[Fault | None]:
        clock, result = FakeClock(), []
        for content in texts:
            clock.advance(10)
            tree.write(AIR, content)
            result.append(probe.read(clock).fault)
        return result

    def test_first_reading_of_25_is_doubted(self, tree: W1Tree) -> None:
        """Until the probe has said something else nearby, the pattern is the power-on value."""
        tree.add_probe(AIR)
        probe = OneWireProbe(tree.root, AIR)

        result = self.faults(probe, tree, COPY_AT_25, COPY_AT_25, COPY_NEAR_25, COPY_AT_25)

        assert result == [Fault.POWER_ON, Fault.POWER_ON, None, None]

    def test_25_out_of_nowhere_is_doubted(self, tree: W1Tree) -> None:
        """A copy that lost its supply in a cool chamber never makes it 25 °C there."""
        tree.add_probe(AIR)
        probe = OneWireProbe(tree.root, AIR)

        result = self.faults(probe, tree, COPY_AT_12, COPY_AT_25, COPY_AT_25, COPY_AT_12)

        assert result == [None, Fault.POWER_ON, Fault.POWER_ON, None]

    def test_a_room_at_25_is_believed_for_as_long_as_it_stays(self, tree: W1Tree) -> None:
        """Each believed reading renews the memory that lets the next one pass."""
        tree.add_probe(AIR)
        probe = OneWireProbe(tree.root, AIR)

        assert self.faults(probe, tree, COPY_NEAR_25, *[COPY_AT_25] * 200) == [None] * 201

    def test_memory_fades(self, tree: W1Tree) -> None:
        """A reading near 25 °C before a long absence proves nothing afterwards."""
        tree.add_probe(AIR, COPY_NEAR_25)
        probe, clock = OneWireProbe(tree.root, AIR), FakeClock()
        probe.read(clock)
        tree.write(AIR, COPY_AT_25)

        clock.advance(DOUBT_MEMORY_S)
        within = probe.read(clock).fault
        clock.advance(DOUBT_MEMORY_S + 1)

        assert (within, probe.read(clock).fault) == (None, Fault.POWER_ON)

    def test_genuine_chip_at_25_is_believed_at_once(self, tree: W1Tree) -> None:
        """The reserved bytes of a genuine chip leave no doubt."""
        tree.add_probe(AIR)
        tree.set(AIR, 25.0)

        assert OneWireProbe(tree.root, AIR).read(FakeClock()).value_mc == 25_000


class TestSurvey:
    def test_lists_thermometers_and_counts_noise(self, tree: W1Tree) -> None:
        """Only thermometers are offered; phantoms are counted and never kept by name."""
        for name in (RESERVOIR, AIR, "10-0a1b2c3d4e05", "3b-0a1b2c3d4e06"):
            tree.add_probe(name)
        for name in (
            "00-400000000000",
            "00-800000000000",
            "28-000000000000",
            "01-0a1b2c3d4e07",
            "28-0A1B2C3D4E08",
            "28-short",
            "280a1b2c3d4e01",
        ):
            tree.add_ghost(name)

        result = survey(tree.root)

        assert result == Survey(
            ids=("10-0a1b2c3d4e05", AIR, RESERVOIR, "3b-0a1b2c3d4e06"), ghosts=3
        )
        assert list_ids(tree.root) == result.ids

    def test_absent_tree_is_empty(self, tmp_path: Path) -> None:
        """Without a tree there is nothing, and the reason."""
        root = tmp_path / "none"

        assert survey(root) == Survey(
            ids=(), ghosts=0, problem=f"{root}: No such file or directory"
        )

    def test_a_link_that_leads_nowhere_is_still_listed(self, tree: W1Tree) -> None:
        """A device that vanishes during the look does not spoil it: its read will tell."""
        (tree.root / AIR).symlink_to(tree.root / "gone")
        tree.add_probe(RESERVOIR)

        assert list_ids(tree.root) == (AIR, RESERVOIR)


@pytest.mark.parametrize(
    ("probe_id", "message"),
    [
        ("28-000000000000", "a noisy bus invents"),
        ("00-400000000000", "a noisy bus invents"),
        ("26-0a1b2c3d4e01", "found family 26 in '26-0a1b2c3d4e01', allowed: 10 DS18S20"),
        ("28-0a1b2c3d4e", "two and twelve hexadecimal digits"),
        ("28_0a1b2c3d4e01", "two and twelve hexadecimal digits"),
        ("../../etc/passwd", "two and twelve hexadecimal digits"),
        ("", "two and twelve hexadecimal digits"),
    ],
)
def test_impossible_id_is_refused(probe_id: str, message: str, tree: W1Tree) -> None:
    """An id that no thermometer can have is refused before anything is read."""
    assert message in (id_problem(probe_id) or "")
    with pytest.raises(ProbeError, match=r"^probe id: found "):
        OneWireProbe(tree.root, probe_id)


def test_id_in_capitals_is_the_same_probe(tree: W1Tree) -> None:
    """Linux writes ids in small letters; a label may not."""
    tree.add_probe(AIR)

    assert id_problem(AIR.upper()) is None
    assert OneWireProbe(tree.root, AIR.upper()).read(FakeClock()).value_mc == 20_000


def test_power_on_never_reaches_control(tree: W1Tree) -> None:
    """A power-on value among good readings is counted and changes nothing."""
    tree.add_probe(AIR)
    probe, sieve, clock = OneWireProbe(tree.root, AIR), Sieve(WIDE), FakeClock()
    good = text("c8 00 4b 46 7f ff 08 10 02", 12_500)

    readings = []
    for content in (good, good, text(POWER_ON, 85_000), good):
        tree.write(AIR, content)
        clock.advance(10)
        sieve.take(probe.read(clock))
        readings.append(sieve.reading(clock()))

    assert isinstance(readings[0], Lost)
    assert readings[1:] == [Seen(12_500)] * 3
    assert sieve.counts == {Fault.POWER_ON: 1}
    assert POWER_ON in sieve.refused_raw
