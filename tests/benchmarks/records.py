"""A year of records: size of the file, a day's and a year's figures, a crop's report, the page.

    python -m tests.benchmarks.records [--days 365]

Prints processor time and judges nothing. The year is a rehearsal's days, one after another, as the
service would have recorded them, phases and all; its hours are summed and its old readings thinned
as the service does it. A figure is drawn anew each time, not taken from the page's own memory.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from starlette.testclient import TestClient

from controller.cli.main import status_of
from controller.domain.places import RECORDS
from controller.history.figure_data import Span
from controller.history.importing import add_history, reading_at
from controller.lookout.page.access import Access
from controller.lookout.page.app import PageContext, page_app
from controller.lookout.page.picture import Pictures, view_of
from controller.records.hours import HourBasis, sum_once
from controller.records.reader import RecordedReading, read_readings
from controller.records.requests_file import REQUESTS
from controller.records.snapshot import take_snapshot
from controller.records.thinning import give_back, thin_once
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.trace_row import TraceRow
from controller.settings.law_of import first_in_force
from controller.settings.load import Settings, read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml")
PATTERN_DAYS = 10
DETAIL_DAYS = 30
TURNS = 5


def pattern() -> list[RecordedReading]:
    """Return some rehearsed days as the records would keep them: a row a minute and each switch."""
    rows: list[TraceRow] = []
    settings = read_settings(CONFIG)
    scenario = read_scenario(shipped_config("scenarios") / "calm-day.toml")
    Rehearsal(settings, scenario, days=PATTERN_DAYS, seed=1, trace=rows.append).run()
    kept = []
    for row in rows:
        celsius = (
            None if value is None else value / 1000
            for value in (
                row.readings_mc.get(name) for name in ("air", "reservoir", "room", "coil_outlet")
            )
        )
        kept.append(reading_at(row.time, celsius, pump=row.pump, fan=row.fan))
    return kept


def year(days: int, until: datetime) -> Iterator[RecordedReading]:
    """Yield the pattern over and over, to end at an instant."""
    rows = pattern()
    begins = until - timedelta(days=days)
    for turn in range(-(-days // PATTERN_DAYS)):
        shift = begins + timedelta(days=turn * PATTERN_DAYS) - rows[0].at
        for row in rows:
            if row.at + shift < until:
                yield replace(row, at=row.at + shift)


def timed(label: str, what: Callable[[], object]) -> None:
    spent = []
    for _ in range(TURNS):
        began = time.process_time()
        what()
        spent.append(time.process_time() - began)
    spent.sort()
    print(f"{label:44} {1000 * spent[TURNS // 2]:9.1f} ms (best {1000 * spent[0]:.1f})", flush=True)


def as_recorded(file: sqlite3.Connection) -> int:
    """Make a run of the service of an imported history, with its phases; return how many."""
    file.execute("BEGIN")
    file.execute("DELETE FROM imports")
    events: list[tuple[int, str]] = []
    last = 0
    for at_ms, pump in file.execute("SELECT at_ms, pump FROM readings ORDER BY at_ms"):
        if pump != last:
            events += [
                (at_ms, name) for name in (("prime", "cool") if pump else ("run_on", "rest"))
            ]
        last = pump
    file.executemany(
        "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (1, ?, 'phase', ?, '')", events
    )
    file.execute("COMMIT")
    return len(events)


def summed(file: sqlite3.Connection, settings: Settings, now: datetime) -> None:
    """Sum the hours as the records thread does, and print what it took."""
    site = HourBasis(zone=settings.site.zone(), first=first_in_force(settings))
    steps, longest_s, began = 0, 0.0, time.process_time()
    while True:
        step_began = time.process_time()
        more = sum_once(file, site, running=1, boot_ms=round(now.timestamp() * 1000))
        longest_s = max(longest_s, time.process_time() - step_began)
        if not more:
            break
        steps += 1
    print(
        f"hours summed: {steps} steps in {time.process_time() - began:.1f} s, "
        f"the longest {1000 * longest_s:.0f} ms"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=365)
    days = parser.parse_args().days
    now = datetime.now(UTC).replace(microsecond=0)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        os.environ["STATE_DIRECTORY"] = folder
        path = place / RECORDS
        add_history(path, year(days, now), name="a year", chamber="c")
        settings = read_settings(CONFIG)
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            phases = as_recorded(file)
            size = path.stat().st_size / 1e6
            print(f"{days} days, all detail, {phases} phases: {size:.1f} MB")
            summed(file, settings, now)
        before_ms = round((now - timedelta(days=DETAIL_DAYS)).timestamp() * 1000)
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            steps, longest_s, began = 0, 0.0, time.process_time()
            while True:
                step_began = time.process_time()
                more = thin_once(file, before_utc_ms=before_ms, summed_only=True)
                longest_s = max(longest_s, time.process_time() - step_began)
                steps += more
                if not more:
                    break
            spent_s = time.process_time() - began
            for _ in range(200):
                give_back(file)
        print(
            f"thinned beyond {DETAIL_DAYS} days: {path.stat().st_size / 1e6:.1f} MB; {steps} steps "
            f"in {spent_s:.1f} s, the longest {1000 * longest_s:.0f} ms"
        )

        def rows(span: timedelta) -> Callable[[], object]:
            return lambda: sum(1 for _ in read_readings(path, since=now - span))

        timed("rows of a day", rows(timedelta(days=1)))
        timed("rows of a year", rows(timedelta(days=days)))

        app = page_app(
            PageContext(
                settings=settings,
                place=place,
                snapshot=lambda: take_snapshot(place, at_utc=datetime.now(UTC)),
                access=Access(place, clock=time.monotonic),
            )
        )
        client = TestClient(app, base_url="http://localhost")
        client.get("/")
        timed("page, whole answer", lambda: client.get("/").text)
        for span in Span:

            def figure(span: Span = span) -> object:
                shown = take_snapshot(place, at_utc=datetime.now(UTC))
                view = view_of(span.value, "", "", now=shown.at_utc, zone=settings.site.zone())
                return Pictures(settings, path, place / REQUESTS).drawn(shown, view)

            timed(f"figure of {span.words}", figure)
        for label, span in (("a day", 1), ("a crop, 90 days", 90), ("a year", days)):
            begins = (now - timedelta(days=span)).isoformat()
            arguments = ["report", str(CONFIG), "--from", begins, "--json"]
            timed(f"report of {label}", lambda arguments=arguments: quiet(arguments))


def quiet(arguments: list[str]) -> None:
    """Run a command with its output thrown away."""
    kept = os.dup(1)
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        try:
            status_of(arguments)
        finally:
            os.dup2(kept, 1)
            os.close(kept)


if __name__ == "__main__":
    main()
