"""``coldpin status``: how the chamber is now, on one screen and as an exit status."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path

import click

from controller import __version__
from controller.cli import people
from controller.cli.first_run_words import first_run_summary
from controller.cli.instances import CONFIG
from controller.cli.versions import version_words
from controller.commissioning.host import host_findings
from controller.domain.alarm_guide import is_note
from controller.domain.codec import Codec
from controller.domain.first_run import FirstRun
from controller.domain.places import records_path, state_directory
from controller.domain.published_forecast import PublishedForecast
from controller.domain.requests import LoggedSwap
from controller.domain.status import Status
from controller.domain.zones import local_time
from controller.lookout.headline import AlarmLimits, headline_of
from controller.lookout.next_change import next_change
from controller.lookout.readings import last_change_words, readings_of
from controller.pictures import words
from controller.records.first_runs import last_first_run
from controller.records.forecast_file import read_forecast
from controller.records.snapshot import Snapshot, take_snapshot
from controller.service.kept_wiring import read_kept_wiring
from controller.settings.brief import BriefSettings, read_brief_settings

WELL, ALARMED, SILENT = 0, 1, 2
WATCH_EVERY_S = 2.0


@click.command()
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--watch", is_flag=True, help="Keep showing it until interrupted (Ctrl-C).")
def status(config: Path, as_json: bool, watch: bool) -> int:
    """Show how the chamber of CONFIG is now.

    Exit status: 0 all is well, 1 an alarm is active, 2 coldpin is not running.
    """
    settings = read_brief_settings(config)
    place = state_directory(config)
    while True:
        now = datetime.now(UTC)
        snapshot = take_snapshot(place, at_utc=now, forecast=read_forecast(place, now=now))
        report = report_of(snapshot, place, settings)
        if as_json:
            people.print_json(_CODEC.document(report))
        else:
            if watch:
                click.clear()
            _print_for_people(report, snapshot, settings)
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
    installed: str
    """Release of this command; that of the control process is in the status."""
    forecast: PublishedForecast | None
    status: Status | None
    """The newest, also where it is old; None where there is none."""
    computer: tuple[str, ...] = ()
    """What is amiss with the computer, in whole sentences."""


_CODEC = Codec(StatusReport)


def report_of(snapshot: Snapshot, place: Path, settings: BriefSettings) -> StatusReport:
    """Return what the command answers about a snapshot."""
    return StatusReport(
        silent=snapshot.silent,
        age_s=None if snapshot.age_s is None else round(snapshot.age_s, 1),
        last_swap=snapshot.last_swap,
        first_run=_first_run(place, settings),
        installed=__version__,
        forecast=snapshot.forecast,
        status=snapshot.status,
        computer=_computer(snapshot, place, settings),
    )


def _computer(snapshot: Snapshot, place: Path, settings: BriefSettings) -> tuple[str, ...]:
    """Return what is amiss with the computer; a service that answers has opened its chip."""
    switches = any(load.driver != "dry" for load in read_kept_wiring(place))
    records = records_path(settings.records, place)
    return tuple(host_findings(records, switches=switches, chip=snapshot.silent))


def version_rows(runs: str, installed: str) -> list[tuple[str, str]]:
    """Return which release runs, and what to do where another one is installed; [] if unknown."""
    return [("Version", version_words(runs, installed))] if runs else []


def _first_run(place: Path, settings: BriefSettings) -> FirstRun | None:
    try:
        return last_first_run(records_path(settings.records, place))
    except (OSError, ValueError):
        return None  # the records have their own alarm


def _zone(status: Status | None, settings: BriefSettings) -> tzinfo | None:
    """Return the zone to speak in: the chamber's, as its service goes by it."""
    if settings.zone is not None or status is None:
        return settings.zone
    here = local_time(status.as_of, None).utcoffset()
    # this shell's zone may be another, or nonsense
    return None if here == status.as_of.utcoffset() else status.as_of.tzinfo


def _exit_status(report: StatusReport) -> int:
    if report.silent or report.status is None:
        return SILENT
    alarmed = any(not is_note(alarm) for alarm in report.status.alarms)
    return ALARMED if alarmed else WELL


def _print_for_people(report: StatusReport, snapshot: Snapshot, settings: BriefSettings) -> None:
    """Print the answer first: how the chamber is, what to do by when; then the rest."""
    limits = AlarmLimits(
        air_high_c=settings.air_high_c,
        air_low_c=settings.air_low_c,
        reservoir_warm_c=settings.reservoir_warm_c,
        reservoir_freezing_c=settings.reservoir_freezing_c,
        unit=settings.unit,
    )
    now = local_time(snapshot.at_utc, _zone(snapshot.status, settings))
    headline = headline_of(snapshot, limits, now)
    change = next_change(snapshot.forecast, snapshot.last_swap, now)
    status = snapshot.status
    lines = [headline.action, headline.more]
    lines += [f"{each.words}. {each.action}" for each in headline.alarms[1:]]
    lines += [*(each.note for each in headline.alarms), *headline.notes]
    lines += [f"{each.seen}: {each.words}." for each in headline.alarms if each.seen]
    if status is not None:
        people.say(status.chamber)
    people.say(headline.words, bold=True)
    for line in (*lines, change.do, change.lasts, change.left):
        if line:
            people.say(line)
    if status is not None:
        people.rows(
            [
                *readings_of(status, settings.unit),
                ("Updated", words.moment(status.as_of, now)),
                ("First run", first_run_summary(report.first_run)),
                *version_rows(status.version, report.installed),
            ]
        )
    for line in report.computer:
        people.say(line)
    if status is not None:
        people.say(last_change_words(snapshot.last_swap, now))
