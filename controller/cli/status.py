"""``coldpin status``: how the chamber is now, on one screen and as an exit status."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from controller.cli import people
from controller.cli.first_run_words import words_of
from controller.cli.instances import CONFIG
from controller.domain.alarm_guide import alarm_title, guide_of, worst_first
from controller.domain.codec import Codec
from controller.domain.first_run import FirstRun
from controller.domain.forecast import PublishedForecast
from controller.domain.places import records_path, state_directory
from controller.domain.requests import LoggedSwap
from controller.domain.status import ProbeStatus, Status
from controller.pictures import words
from controller.records.first_runs import last_first_run
from controller.records.forecast_file import read_forecast
from controller.records.snapshot import take_snapshot
from controller.settings.brief import BriefSettings, read_brief_settings

if TYPE_CHECKING:
    from rich.console import Console

WELL, ALARMED, SILENT = 0, 1, 2
WATCH_EVERY_S = 2.0


@click.command()
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--watch", is_flag=True, help="Go on until interrupted.")
def status(config: Path, as_json: bool, watch: bool) -> int:
    """Show how the chamber of CONFIG is now.

    Exit status: 0 all is well, 1 an alarm stands, 2 the service is silent.
    """
    settings = read_brief_settings(config)
    while True:
        report = status_of(state_directory(config), settings)
        if as_json:
            people.print_json(_CODEC.document(report))
        else:
            console = people.console()
            if watch:
                console.clear()
            _print_for_people(console, report, settings.unit)
        if not watch:
            return _exit_status(report)
        time.sleep(WATCH_EVERY_S)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusReport:
    """What the command answers."""

    silent: bool
    """The control process has written nothing for too long."""
    age_s: float | None
    """Age of the status [s]; None where it cannot be known."""
    last_swap: LoggedSwap | None
    first_run: FirstRun | None
    forecast: PublishedForecast | None
    status: Status | None
    """The newest, also where it is old; None where there is none."""


_CODEC = Codec(StatusReport)


def status_of(place: Path, settings: BriefSettings) -> StatusReport:
    """Return the newest status, how old it is, and what else is known of the chamber."""
    now = datetime.now(UTC)
    snapshot = take_snapshot(place, taken_utc=now, forecast=read_forecast(place, now=now))
    return StatusReport(
        silent=snapshot.silent,
        age_s=None if snapshot.age_s is None else round(snapshot.age_s, 1),
        last_swap=snapshot.last_swap,
        first_run=_first_run(place, settings),
        forecast=snapshot.forecast,
        status=snapshot.status,
    )


def _first_run(place: Path, settings: BriefSettings) -> FirstRun | None:
    try:
        return last_first_run(records_path(settings.records, place))
    except (OSError, ValueError):
        return None  # the records have their own alarm


def _exit_status(report: StatusReport) -> int:
    if report.silent or report.status is None:
        return SILENT
    return ALARMED if report.status.alarms else WELL


def _print_for_people(console: Console, report: StatusReport, unit: str) -> None:
    status = report.status
    if status is None:
        console.print("[b]coldpin is not running on this machine[/b], and there is no data yet.")
        return
    if report.silent:
        since = "before the last boot" if report.age_s is None else _ago(report.age_s)
        console.print(f"[b]coldpin is not running.[/b] These are its last data, from {since}.")

    def shown(celsius: float | None) -> str:
        return words.temperature(None if celsius is None else celsius * 1000, unit)

    console.print(f"[b]{status.chamber}[/b], {status.stage}: {status.phase}, {status.reason}")
    table = people.table("", "")
    table.show_header = False
    for name, probe in status.probes.fitted():
        band = (
            f" (band {shown(status.cut_out_c)} to {shown(status.cut_in_c)})"
            if name == "air"
            else ""
        )
        reading = shown(probe.reading_c) if probe.lost is None else f"lost: {probe.lost}"
        table.add_row(name.replace("_", " "), f"{reading}{band}{_id_of(probe)}")
    on = {True: "on", False: "off"}
    table.add_row("pump, fan", f"{on[status.pump]}, {on[status.fan]}")
    for name, left_s in status.timers_left.running():
        table.add_row(f"{name.replace('_', ' ')} left", words.duration(left_s))
    swap, now = report.last_swap, status.as_of
    if swap is not None:
        table.add_row("last swap", f"{swap.packs} packs, {words.moment(swap.at, now)}")
    if report.forecast is not None and report.forecast.swap_due is not None:
        table.add_row("swap due", _swap_due(report.forecast))
    age = "" if report.age_s is None else f", {_ago(report.age_s)}"
    table.add_row("as of", f"{status.as_of.isoformat(timespec='seconds')}{age}")
    table.add_row("first run", words_of(report.first_run))
    console.print(table)
    for alarm in worst_first(status.alarms):
        seen = ", seen" if alarm.acknowledged else ""
        title = alarm_title(alarm.name, alarm.about)
        note = f" {alarm.note}" if alarm.note else ""
        console.print(f"[b]{title}[/b]{seen}. {guide_of(alarm.name).action}{note}")
    for note in status.notes:
        console.print(note)
    if not (status.alarms or status.notes or report.silent):
        console.print("No alarm stands.")


def _id_of(probe: ProbeStatus) -> str:
    return "" if probe.id is None else f", probe {probe.id}"


def _ago(age_s: float) -> str:
    return f"{words.duration(age_s)} ago"


def _swap_due(forecast: PublishedForecast) -> str:
    now = forecast.as_of
    assert forecast.swap_due is not None
    due = words.moment(forecast.swap_due, now)
    if forecast.early is None or forecast.late is None:
        return due
    likely = [words.moment(each, now, far=False) for each in (forecast.early, forecast.late)]
    return f"{due}, likely {likely[0]} to {likely[1]}"
