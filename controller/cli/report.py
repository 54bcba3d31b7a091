"""``coldpin report``: what the crop had, afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click

from controller.cli import people
from controller.cli.extras import need
from controller.cli.files import OutputFile, reason_of
from controller.cli.first_run_words import first_run_summary
from controller.cli.instances import CONFIG
from controller.cli.instants import instant
from controller.domain.alarm_guide import alarm_title
from controller.domain.codec import UnreadableError
from controller.domain.first_run import FIRST_RUN_CODEC, FirstRun
from controller.domain.places import records_path, state_directory
from controller.domain.requests import LoggedSwap
from controller.errors import RecordError
from controller.history.report import REPORTED, Report, report_of
from controller.history.report_document import report_document
from controller.history.report_words import DAY, report_rows, span_words
from controller.pictures import words
from controller.records.first_runs import last_first_run
from controller.records.hours import HourBasis, read_pieces
from controller.records.reader import read_events
from controller.records.requests_file import REQUESTS, swaps
from controller.settings.law_of import first_in_force
from controller.settings.load import Settings, read_settings

BEFORE = timedelta(days=60)
"""How far before the span alarms are looked for that still stand in it."""
_BARS = " ▁▂▃▄▅▆▇█"


@click.command()
@CONFIG
@click.option("--from", "from_text", help="Begin, ISO 8601; default: a day before the end.")
@click.option("--to", "to_text", help="End, ISO 8601; default: now.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--html",
    "html_file",
    type=OutputFile(),
    help="Write it as a page in one file, with its picture.",
)
def report(
    config: Path,
    from_text: str | None,
    to_text: str | None,
    as_json: bool,
    html_file: Path | None,
) -> None:
    """Sum up a day or a crop of CONFIG.

    It covers time in band, duty, packs, alarms, and gaps in the record.
    """
    settings = read_settings(config)
    if html_file is not None:
        need("lookout", what="--html")
    zone = settings.site.zone()
    until = datetime.now(UTC) if to_text is None else instant(to_text, option="--to", zone=zone)
    since = until - DAY if from_text is None else instant(from_text, option="--from", zone=zone)
    if not since < until:
        raise click.BadParameter("found an end that is not later", param_hint="--from, --to")
    place = state_directory(config)
    try:
        noted = swaps(place / REQUESTS)
        made = _report(settings, records_path(settings.records.path, place), noted, since, until)
        checked = _first_run(records_path(settings.records.path, place))
        if html_file is not None:
            _write_page(html_file, made, settings, place, noted)
    except OSError as error:
        raise RecordError(f"No report: {reason_of(error)}") from None
    if as_json:
        people.print_json(
            {
                **report_document(made, zone),
                "first_run": None if checked is None else FIRST_RUN_CODEC.document(checked),
            }
        )
    else:
        _print_for_people(made, settings)
        click.echo(f"first run: {first_run_summary(checked)}")


def _write_page(
    file: Path, made: Report, settings: Settings, place: Path, noted: Sequence[LoggedSwap]
) -> None:
    """Write the page; what draws it is loaded only here, since most reports need none."""
    from controller.history.report_page import report_page  # noqa: PLC0415

    records = records_path(settings.records.path, place)
    file.write_text(report_page(made, settings, records, noted), encoding="utf-8")


def _first_run(records: Path) -> FirstRun | None:
    """Return the newest first run; one that is damaged costs no report."""
    try:
        return last_first_run(records)
    except UnreadableError as error:
        click.echo(f"The first run is left out: {error}", err=True)
        return None


def _report(
    settings: Settings, path: Path, noted: Sequence[LoggedSwap], since: datetime, until: datetime
) -> Report:
    events = read_events(path, since=since - BEFORE, kinds=REPORTED)
    return report_of(
        read_pieces(
            path,
            HourBasis(zone=settings.site.zone(), first=first_in_force(settings)),
            since=since,
            until=until,
        ),
        [event for event in events if event.at < until],
        noted,
        since=since,
        until=until,
        zone=settings.site.zone(),
    )


def _print_for_people(report: Report, settings: Settings) -> None:
    console = people.console()
    zone = settings.site.zone()
    begins, ends = report.since.astimezone(zone), report.until.astimezone(zone)
    until = f", {words.dated(begins)} to {words.dated(ends)}"
    console.print(people.bold(settings.chamber.name).append(until))
    if not report.recorded_s:
        console.print("Nothing was recorded in this time.")
        return
    table = people.table("", "")
    table.show_header = False
    for name, value in report_rows(report, settings.display.unit):
        table.add_row(name, value)
    console.print(table)
    bars = "".join(
        "?" if share is None else _BARS[round(share * 8)] for share in report.duty_by_hour
    )
    console.print(f"duty by hour, 0 to 23 h: {bars}")
    for alarm in report.alarms:
        console.print(f"{alarm_title(alarm.name, alarm.about)}: {span_words(alarm, zone)}")
    for begin, end in report.gaps[:20]:
        console.print(
            f"gap: {words.dated(begin.astimezone(zone))}, "
            f"{words.duration((end - begin).total_seconds())}"
        )
    if len(report.gaps) > 20:
        console.print(f"and {words.counted(len(report.gaps) - 20, 'more gap')}")
