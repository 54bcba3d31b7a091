"""Runs put into a file of records by hand, and a report of them by two ways."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.domain.events import InForce
from controller.history.report import Report, report_of
from controller.records.hours import HourBasis, read_pieces, sum_once
from controller.records.pieces import ms_of
from controller.records.reader import read_events, read_readings
from controller.records.schema import migrate
from tests.support.plain_report import PlainReport, plain_report

FIRST = InForce(stage="fruiting", cut_out_mc=15_000, cut_in_mc=17_000)


@dataclass(slots=True)
class Recorded:
    """A run as it is put into a file: instants in seconds after the beginning."""

    readings: list[tuple[int, int | None, bool]]
    events: list[tuple[int, str, str]] = field(default_factory=list)
    imported: bool = False
    switches_known: bool = True
    boot_s: int = 0


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a file as the records thread does, but for a disk that never loses power."""
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.execute("PRAGMA synchronous = OFF")
        yield file


def put(path: Path, recorded: list[Recorded], begins: datetime) -> None:
    """Write runs into a new file."""
    begins_ms = ms_of(begins)
    with opened(path) as file:
        migrate(file)
        file.execute("BEGIN")
        for number, run in enumerate(recorded, start=1):
            ahead_ms = begins_ms - run.boot_s * 1000
            file.execute("INSERT INTO runs VALUES (?, 'b', 'c', ?)", (number, run.boot_s * 1000))
            file.execute("INSERT INTO clocks VALUES (?, ?, ?)", (number, 0, ahead_ms))
            own = [(run.boot_s + at) * 1000 for at, _, _ in run.readings]
            file.executemany(
                "INSERT INTO readings (run, at_ms, air_mc, reservoir_mc, pump, fan)"
                " VALUES (?, ?, ?, 4000, ?, 0)",
                [
                    (number, at_ms, air, on)
                    for at_ms, (_, air, on) in zip(own, run.readings, strict=True)
                ],
            )
            file.executemany(
                "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, ?, ?, ?, '')",
                [(number, (run.boot_s + at) * 1000, kind, name) for at, kind, name in run.events],
            )
            if run.imported:
                file.execute(
                    "INSERT INTO imports VALUES (?, 'n', '', 0, ?)", (number, run.switches_known)
                )
        file.execute("COMMIT")


def sum_up(path: Path, site: HourBasis, *, most: int = 10_000, running: int = -1) -> int:
    """Sum what can be summed, in so many steps at most; return in how many."""
    with opened(path) as file:
        for step in range(most):
            if not sum_once(file, site, running=running, boot_ms=0):
                return step
    return most


def both(
    path: Path, since: datetime, until: datetime, zone: ZoneInfo
) -> tuple[Report, PlainReport]:
    site = HourBasis(zone=zone, first=FIRST)
    quick = report_of(
        read_pieces(path, site, since=since, until=until), [], [],
        since=since, until=until, zone=zone,
    )  # fmt: skip
    events = sorted(
        read_events(path, since=datetime(2000, 1, 1, tzinfo=UTC)), key=lambda event: event.at
    )
    plain = plain_report(
        read_readings(path, since=since, until=until), events,
        since=since, until=until, zone=zone, stage=FIRST.stage,
        band_mc=(FIRST.cut_out_mc, FIRST.cut_in_mc),
    )  # fmt: skip
    return quick, plain


def compare(quick: Report, plain: PlainReport) -> None:
    for name in (
        "recorded_s", "air_lost_s", "switches_known_s", "pump_s", "starts", "starts_by_day",
        "shortest_run_s", "longest_run_s", "shortest_rest_s",
    ):  # fmt: skip
        assert getattr(quick, name) == pytest.approx(getattr(plain, name)), name
    assert quick.gaps == plain.gaps
    assert quick.duty_by_hour == [
        None if share is None else pytest.approx(share) for share in plain.duty_by_hour
    ]
    known = {name: each for name, each in plain.stages.items() if each.known_s}
    assert set(quick.stages) == set(known)
    for name, each in known.items():
        own = quick.stages[name]
        for figure in ("known_s", "in_band_s", "above_k_h", "below_k_h", "air_k_s"):
            assert getattr(own, figure) == pytest.approx(getattr(each, figure)), figure
