"""``coldpin report``: what the crop had, afterwards."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import click

from controller.cli import people
from controller.cli.extras import need
from controller.cli.first_run_words import words_of
from controller.cli.instances import CONFIG
from controller.cli.instants import instant
from controller.domain.alarm_guide import alarm_title
from controller.domain.first_run import FIRST_RUN_CODEC
from controller.domain.measures import degree_hours_text
from controller.domain.places import records_path, state_directory
from controller.domain.requests import LoggedSwap
from controller.errors import RecordError
from controller.history.alarm_figures import AlarmFigures, PastAlarm
from controller.history.report import REPORTED, Report, report_of
from controller.pictures import words
from controller.records.first_runs import last_first_run
from controller.records.hours import HourBasis, read_pieces
from controller.records.reader import read_events
from controller.records.requests_file import REQUESTS, swaps
from controller.settings.law_of import first_in_force
from controller.settings.load import Settings, read_settings

DAY = timedelta(days=1)
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
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write it as a page that stands alone, with its picture.",
)
def report(
    config: Path,
    from_text: str | None,
    to_text: str | None,
    as_json: bool,
    html_file: Path | None,
) -> None:
    """Sum up a day or a crop of CONFIG.

    Band, duty, packs, alarms, and gaps in the record.
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
        checked = last_first_run(records_path(settings.records.path, place))
        if html_file is not None:
            page = _page(made, settings, records_path(settings.records.path, place), noted)
            html_file.write_text(page, encoding="utf-8")
    except OSError as error:
        raise RecordError(f"No report: {error}") from None
    if as_json:
        people.print_json(
            {
                **_document(made, zone),
                "first_run": None if checked is None else FIRST_RUN_CODEC.document(checked),
            }
        )
    else:
        _print_for_people(made, settings)
        click.echo(f"first run: {words_of(checked)}")


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


def _rows(report: Report, unit: str) -> list[tuple[str, str]]:
    """Return the figures as names and values."""
    days = (report.until - report.since) / DAY
    rows: list[tuple[str, str]] = []
    for name, figures in report.stages.items():
        mean = None if figures.mean_c is None else figures.mean_c * 1000
        rows.append(
            (
                name,
                (
                    f"in band {figures.in_band_share:.1%} of {words.duration(figures.known_s)}, "
                    f"mean {words.temperature(mean, unit)}, "
                    f"{degree_hours_text(figures.above_k_h, unit, decimals=2)} "
                    f"above, {degree_hours_text(figures.below_k_h, unit, decimals=2)} below"
                ),
            )
        )
    rows.append(("pump", _pump_words(report)))
    if report.starts_by_day:
        most = max(report.starts_by_day.items(), key=lambda day: day[1])
        rows.append(("most starts", f"{most[1]} on {most[0]}"))
    rows.append(
        (
            "runs",
            (
                f"longest {words.duration(report.longest_run_s)}, shortest "
                f"{words.duration(report.shortest_run_s)}; shortest rest "
                f"{words.duration(report.shortest_rest_s)}"
            ),
        )
    )
    rows.append(("packs", f"{report.packs} put in"))
    if report.set_hours:
        mean_h = sum(report.set_hours) / len(report.set_hours)
        rows.append(
            (
                "sets",
                (
                    f"in for {min(report.set_hours):.1f} to {max(report.set_hours):.1f} h, "
                    f"mean {mean_h:.1f} h"
                ),
            )
        )
    lost = ", ".join(
        f"{name} {words.counted(count, 'time')}" for name, count in report.probes_lost.items()
    )
    rows.append(("probes lost", lost or "never"))
    for name, faults in report.refused.items():
        counts = "; ".join(f"{count} × {fault}" for fault, count in faults.items())
        rows.append((f"refused, {name}", counts))
    rows.append(("trips", str(report.trips)))
    rows.append(("alarms", _alarm_rate_words(report)))
    rows.append(
        (
            "recorded",
            (
                f"{words.duration(report.recorded_s)} of {days:.1f} d, "
                f"{words.counted(len(report.gaps), 'gap')}; "
                f"air not known for {words.duration(report.air_lost_s)}"
            ),
        )
    )
    return rows


def _pump_words(report: Report) -> str:
    """Return how often and how long the pump ran, as far as that was recorded."""
    if report.duty is None:
        return "not recorded"
    unknown_s = report.recorded_s - report.switches_known_s
    missing = f"; not recorded for {words.duration(unknown_s)}" if unknown_s >= 1.0 else ""
    return f"{words.counted(report.starts, 'start')}, {report.duty:.1%} of the time{missing}"


def _print_for_people(report: Report, settings: Settings) -> None:
    console = people.console()
    zone = settings.site.zone()
    begins, ends = report.since.astimezone(zone), report.until.astimezone(zone)
    console.print(
        f"[b]{settings.chamber.name}[/b], {begins:%Y-%m-%d %H:%M} to {ends:%Y-%m-%d %H:%M}"
    )
    if not report.recorded_s:
        console.print("Nothing was recorded in this time.")
        return
    table = people.table("", "")
    table.show_header = False
    for name, value in _rows(report, settings.display.unit):
        table.add_row(name, value)
    console.print(table)
    bars = "".join(
        "?" if share is None else _BARS[round(share * 8)] for share in report.duty_by_hour
    )
    console.print(f"duty by hour, 0 to 23 h: {bars}")
    for alarm in report.alarms:
        console.print(f"{alarm_title(alarm.name, alarm.about)}: {_span(alarm, zone)}")
    for begin, end in report.gaps[:20]:
        console.print(
            f"gap: {begin.astimezone(zone):%Y-%m-%d %H:%M}, "
            f"{words.duration((end - begin).total_seconds())}"
        )
    if len(report.gaps) > 20:
        console.print(f"and {words.counted(len(report.gaps) - 20, 'more gap')}")


def _alarm_rate_words(report: Report) -> str:
    """Return how many alarms there were a day, and what to tune."""
    if not report.alarm_figures:
        return "none"
    text = f"{report.alarms_per_day:.1f} per day"
    chattering = [each for each in report.alarm_figures if each.chattering]
    if chattering:
        names = ", ".join(alarm_title(each.name, each.about) for each in chattering)
        text += f"; again and again within an hour: {names}"
    longest = max(report.alarm_figures, key=lambda each: each.longest_s)
    text += (
        f"; longest {alarm_title(longest.name, longest.about)}, "
        f"{words.duration(60 * round(longest.longest_s / 60))}"
    )
    return text


def _tuning_words(figures: AlarmFigures) -> str:
    parts = [words.counted(figures.count, "time")]
    if figures.chattering:
        parts.append("again and again within an hour")
    parts.append(f"longest {words.duration(60 * round(figures.longest_s / 60))}")
    if figures.still_active:
        parts.append("still active")
    return ", ".join(parts)


def _span(alarm: PastAlarm, zone: tzinfo | None) -> str:
    raised = f"{alarm.raised.astimezone(zone):%Y-%m-%d %H:%M}"
    if alarm.cleared is None:
        return f"{raised}, still active"
    return f"{raised}, for {words.duration((alarm.cleared - alarm.raised).total_seconds())}"


def _document(report: Report, zone: tzinfo | None) -> dict[str, Any]:
    def iso(at: datetime | None) -> str | None:
        return None if at is None else at.astimezone(zone).isoformat(timespec="seconds")

    return {
        "from": iso(report.since),
        "to": iso(report.until),
        "recorded_s": round(report.recorded_s, 1),
        "air_lost_s": round(report.air_lost_s, 1),
        "stages": {
            name: {
                "known_s": round(figures.known_s, 1),
                "in_band_share": round(figures.in_band_share, 4),
                "mean_c": None if figures.mean_c is None else round(figures.mean_c, 3),
                "degree_hours_above": round(figures.above_k_h, 3),
                "degree_hours_below": round(figures.below_k_h, 3),
            }
            for name, figures in report.stages.items()
        },
        "starts": report.starts,
        "starts_by_day": report.starts_by_day,
        "switches_known_s": round(report.switches_known_s, 1),
        "duty": None if report.duty is None else round(report.duty, 4),
        "duty_by_hour": [
            None if share is None else round(share, 4) for share in report.duty_by_hour
        ],
        "longest_run_s": report.longest_run_s,
        "shortest_run_s": report.shortest_run_s,
        "shortest_rest_s": report.shortest_rest_s,
        "packs": report.packs,
        "set_hours": [round(hours, 2) for hours in report.set_hours],
        "trips": report.trips,
        "probes_lost": report.probes_lost,
        "refused": report.refused,
        "alarms": [
            {
                "name": alarm.name,
                "about": alarm.about,
                "raised": iso(alarm.raised),
                "cleared": iso(alarm.cleared),
            }
            for alarm in report.alarms
        ],
        "alarms_per_day": round(report.alarms_per_day, 2),
        "alarm_figures": [
            {
                "name": each.name,
                "about": each.about,
                "count": each.count,
                "chattering": each.chattering,
                "longest_s": round(each.longest_s, 1),
                "still_active": each.still_active,
            }
            for each in report.alarm_figures
        ],
        "gaps": [{"from": iso(begin), "to": iso(end)} for begin, end in report.gaps],
    }


def _page(report: Report, settings: Settings, path: Path, noted: Sequence[LoggedSwap]) -> str:
    """Return the report as a page; what draws it is loaded only here."""
    from controller.history.figure_data import Window, bands_of, pictured  # noqa: PLC0415
    from controller.pictures.chamber_chart import ChamberHistory, chamber_chart  # noqa: PLC0415
    from controller.pictures.html import standalone_page  # noqa: PLC0415

    zone = settings.site.zone()
    stage = settings.stages[settings.chamber.stage]
    past = pictured(path, Window(since=report.since, until=report.until))
    chart = chamber_chart(
        ChamberHistory(
            points=past.points,
            parts=past.parts,
            bands_c=bands_of(path, Window(since=report.since, until=report.until))
            or [(report.since.timestamp(), stage.cut_out / 1000, stage.cut_in / 1000)],
            since_s=past.window.since.timestamp(),
            until_s=report.until.timestamp(),
            pack_changes=[
                (swap.at.timestamp(), words.pack_count(swap.packs))
                for swap in noted
                if report.since <= swap.at < report.until
            ],
            alarms=[
                (alarm.raised.timestamp(), alarm_title(alarm.name, alarm.about))
                for alarm in report.alarms
            ],
            unit=settings.display.unit,
            zone=zone,
        ),
        f"{settings.chamber.name}: what the crop had.",
    )
    begins, ends = report.since.astimezone(zone), report.until.astimezone(zone)
    return standalone_page(
        title=f"{settings.chamber.name}: what the crop had",
        lead=f"From {begins:%Y-%m-%d %H:%M} to {ends:%Y-%m-%d %H:%M}.",
        facts=_rows(report, settings.display.unit),
        charts=[chart],
        tables=[
            (
                "Alarms to tune",
                ("alarm", "how often"),
                [
                    (alarm_title(each.name, each.about), _tuning_words(each))
                    for each in report.alarm_figures
                ],
            ),
            (
                "Alarms",
                ("alarm", "active"),
                [
                    (alarm_title(alarm.name, alarm.about), _span(alarm, zone))
                    for alarm in report.alarms
                ],
            ),
            (
                "Gaps in the record",
                ("from", "for"),
                [
                    (
                        f"{begin.astimezone(zone):%Y-%m-%d %H:%M}",
                        words.duration((end - begin).total_seconds()),
                    )
                    for begin, end in report.gaps
                ],
            ),
        ],
    )
