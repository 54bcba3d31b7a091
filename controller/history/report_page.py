"""A report as a page that stands alone, with its picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from controller.domain.alarm_guide import alarm_title
from controller.domain.requests import LoggedSwap
from controller.history.figure_data import Window, bands_of, pictured
from controller.history.report import Report
from controller.history.report_words import report_rows, span_words, tuning_words
from controller.pictures import words
from controller.pictures.chamber_chart import ChamberHistory, chamber_chart
from controller.pictures.chart import Chart
from controller.pictures.html import standalone_page
from controller.settings.load import Settings


def report_page(
    report: Report, settings: Settings, records: Path, swaps: Sequence[LoggedSwap]
) -> str:
    """Return the page.

    Args:
        report: Its figures.
        settings: The configuration.
        records: The file of records, for the picture.
        swaps: Every logged pack change.

    Raises:
        OSError: The records cannot be read.
    """
    zone, name = settings.site.zone(), settings.chamber.name
    begins, ends = report.since.astimezone(zone), report.until.astimezone(zone)
    return standalone_page(
        title=f"{name}: what the crop had",
        lead=f"From {words.dated(begins)} to {words.dated(ends)}.",
        facts=report_rows(report, settings.display.unit),
        charts=[_picture(report, settings, records, swaps)],
        tables=_tables(report, settings),
    )


def _picture(
    report: Report, settings: Settings, records: Path, swaps: Sequence[LoggedSwap]
) -> Chart:
    window = Window(since=report.since, until=report.until)
    past = pictured(records, window)
    stage = settings.stages[settings.chamber.stage]
    band = (report.since.timestamp(), stage.cut_out / 1000, stage.cut_in / 1000)
    return chamber_chart(
        ChamberHistory(
            points=past.points,
            parts=past.parts,
            bands_c=bands_of(records, window) or [band],
            since_s=past.window.since.timestamp(),
            until_s=report.until.timestamp(),
            pack_changes=[
                (swap.at.timestamp(), words.pack_count(swap.packs))
                for swap in swaps
                if report.since <= swap.at < report.until
            ],
            alarms=[
                (alarm.raised.timestamp(), alarm_title(alarm.name, alarm.about))
                for alarm in report.alarms
            ],
            unit=settings.display.unit,
            zone=settings.site.zone(),
        ),
        f"{settings.chamber.name}: what the crop had.",
    )


def _tables(
    report: Report, settings: Settings
) -> list[tuple[str, tuple[str, ...], list[tuple[str, ...]]]]:
    zone = settings.site.zone()
    tuning: list[tuple[str, ...]] = [
        (alarm_title(each.name, each.about), tuning_words(each)) for each in report.alarm_figures
    ]
    alarms: list[tuple[str, ...]] = [
        (alarm_title(each.name, each.about), span_words(each, zone)) for each in report.alarms
    ]
    gaps: list[tuple[str, ...]] = [
        (
            words.dated(begin.astimezone(zone)),
            words.duration((end - begin).total_seconds()),
        )
        for begin, end in report.gaps
    ]
    return [
        ("Alarms to tune", ("alarm", "how often"), tuning),
        ("Alarms", ("alarm", "active"), alarms),
        ("Gaps in the record", ("from", "for"), gaps),
    ]
