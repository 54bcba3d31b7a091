"""A 1-Wire bus that comes late, and thermometers on it that nobody named."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from pathlib import Path

from structlog.testing import capture_logs

from controller.probes.samples import Sample
from controller.service.bus import AwaitedBus, StrangerWatch
from tests.support.waiting import until

READ = [("air", Sample(1.0, 16_000))]


class Probes:
    """A source that counts how often it is opened, read and closed."""

    def __init__(self) -> None:
        self.opened = self.closed = 0

    def open(self) -> Probes:
        self.opened += 1
        return self

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        return READ

    def close(self) -> None:
        self.closed += 1


def opened() -> None:
    """Wait until the bus has been looked at; it is opened in a thread."""
    until(lambda: all(each.name != "bus-opening" for each in threading.enumerate()))


def test_a_bus_is_looked_for_every_ten_seconds_until_it_is_there(tmp_path: Path) -> None:
    """Nothing is read before, it is opened once, and the log names both once."""
    probes, root = Probes(), tmp_path / "devices"
    bus = AwaitedBus(root, probes.open)

    with capture_logs() as logs:
        for now in (100.0, 110.0):  # looks again, and says nothing new
            assert list(bus.collect(now)) == []
            opened()
        missing = bus.missing
        root.mkdir()
        assert list(bus.collect(119.9)) == []
        opened()
        assert probes.opened == 0
        bus.collect(120.0)
        opened()
        assert list(bus.collect(121.0)) == READ
        root.rmdir()
        assert list(bus.collect(500.0)) == READ
        opened()

    assert missing is not None
    assert str(root) in missing
    assert "dtoverlay=w1-gpio" in missing  # source: the kernel's overlay of that name
    assert (bus.missing, probes.opened) == (None, 1)
    assert [(line["event"], line["root"]) for line in logs] == [
        ("one_wire_bus_missing", str(root)),
        ("one_wire_bus_there", str(root)),
    ]


def test_a_bus_that_is_there_at_once_is_nothing_to_report(tmp_path: Path) -> None:
    """The first look opens it."""
    probes = Probes()
    bus = AwaitedBus(tmp_path, probes.open)

    with capture_logs() as logs:
        bus.collect(0.0)
        opened()
        assert list(bus.collect(0.1)) == READ

    assert logs == []


def test_closing_ends_the_reading_where_there_is_one(tmp_path: Path) -> None:
    """And is nothing while the bus has not come."""
    probes = Probes()
    AwaitedBus(tmp_path / "not there", probes.open).close()
    bus = AwaitedBus(tmp_path, probes.open)
    bus.collect(0.0)
    opened()

    bus.close()

    assert probes.closed == 1


class Survey:
    """A list of the bus that waits until it may end."""

    def __init__(self, ids: Iterable[str]) -> None:
        self.ids, self.times = list(ids), 0
        self.may_end = threading.Event()
        self.may_end.set()

    def __call__(self) -> list[str]:
        self.times += 1
        self.may_end.wait(30)
        return self.ids


def ended(watch: StrangerWatch) -> None:
    """Wait for the survey in hand: a thread may still be alive that is no longer counted."""
    until(lambda: watch._thread is None or not watch._thread.is_alive())


def test_strangers_are_named_while_a_probe_is_lost() -> None:
    """Those of the configuration are none, whatever the case of their letters."""
    survey = Survey(["28-ccc", "28-aaa", "28-bbb"])
    watch = StrangerWatch(survey, ["28-AAA"])

    with capture_logs() as logs:
        assert watch.stranger(lost=False, now=0.0) == ""
        assert survey.times == 0
        watch.stranger(lost=True, now=1.0)  # the survey begins, in a thread
        ended(watch)
        note = watch.stranger(lost=True, now=2.0)
        assert watch.stranger(lost=True, now=60.9) == note
        ended(watch)
        assert survey.times == 1
        watch.stranger(lost=True, now=61.0)
        ended(watch)
        assert survey.times == 2

    assert "on the bus: 28-bbb, 28-ccc. " in note
    assert "28-aaa" not in note
    assert [(line["event"], line["ids"]) for line in logs] == [
        ("unknown_probe_beside_a_lost_one", "28-bbb, 28-ccc")
    ]
    assert watch.stranger(lost=False, now=62.0) == ""
    watch.stranger(lost=True, now=63.0)  # a loss anew: it looks at once
    ended(watch)
    assert survey.times == 3


def test_a_survey_that_hangs_is_not_begun_twice() -> None:
    """However long it takes, one thread waits for the bus."""
    survey = Survey(["28-bbb"])
    survey.may_end.clear()
    watch = StrangerWatch(survey, [])

    watch.stranger(lost=True, now=0.0)
    until(lambda: survey.times == 1)
    for now in (61.0, 122.0):
        watch.stranger(lost=True, now=now)
    assert survey.times == 1

    survey.may_end.set()
    ended(watch)
    assert "28-bbb" in watch.stranger(lost=True, now=122.5)
