"""A rehearsal as a page that stands alone."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from controller.domain.alarm_guide import alarm_title
from controller.domain.measures import degree_hours_text
from controller.pictures import words
from controller.pictures.chamber_chart import ChamberHistory, chamber_chart
from controller.pictures.chart import Chart
from controller.pictures.forecast_chart import PastForecast, forecast_chart
from controller.pictures.html import standalone_page
from controller.planning.hot_days_chart import bands_of, point_of
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.trace_row import TraceRow
from controller.settings.law_of import schedule_of


def rehearsal_page(
    rehearsal: Rehearsal, rows: Sequence[TraceRow], scenario: str, about: str
) -> str:
    """Return the page.

    Args:
        rehearsal: A rehearsal that has been run.
        rows: What its probes showed.
        scenario: Name of the scenario.
        about: What the scenario says of itself.
    """
    settings, tally = rehearsal.settings, rehearsal.tally
    began_s = rehearsal.started.timestamp()
    notices = [(float(each["t_s"]), str(each["text"])) for each in rehearsal.lookout.notices]
    pack_changes = [
        (began_s + swap["t_s"], words.pack_count(round(swap["packs"]))) for swap in rehearsal.swaps
    ]
    history = ChamberHistory(
        points=[point_of(row) for row in rows],
        since_s=began_s,
        until_s=rows[-1].time.timestamp(),
        bands_c=bands_of(rows, schedule_of(settings.stages[settings.chamber.stage])),
        pack_changes=pack_changes,
        alarms=[
            (began_s + alarm.raised_t_s, alarm_title(alarm.name, alarm.about))
            for alarm in tally.alarms
        ],
        notices=[(began_s + at_s, text) for at_s, text in notices],
        unit=settings.display.unit,
        zone=settings.site.zone(),
    )
    return standalone_page(
        title=f"{settings.chamber.name}, {scenario}: a rehearsal",
        lead=about,
        facts=(
            ("in band", f"{tally.in_band_share:.1%} of the time"),
            ("above cut-in", degree_hours_text(tally.degree_hours_above, settings.display.unit)),
            ("below cut-out", degree_hours_text(tally.degree_hours_below, settings.display.unit)),
            ("starts", str(tally.starts)),
            ("shortest run", words.duration(tally.shortest_run_s)),
            ("shortest rest", words.duration(tally.shortest_rest_s)),
            ("packs put in", str(rehearsal.packs_used)),
            ("length, seed", f"{words.counted(rehearsal.days, 'day')}, {rehearsal.seed}"),
        ),
        charts=[
            chamber_chart(history, f"{settings.chamber.name} through {scenario}."),
            *_forecasts(rehearsal, pack_changes),
        ],
        tables=[("Notices sent", ("when", "what"), _notice_rows(rehearsal, notices))]
        if notices
        else [],
    )


def _forecasts(rehearsal: Rehearsal, pack_changes: Sequence[tuple[float, str]]) -> list[Chart]:
    """Return the picture of the forecasts, where there were any."""
    if len(rehearsal.lookout.forecasts) < 2:
        return []
    began_s = rehearsal.started.timestamp()

    def instant(t_s: float | None) -> float | None:
        return None if t_s is None else began_s + t_s

    forecasts = [
        PastForecast(
            at_s=began_s + (each["t_s"] or 0.0),
            early_s=instant(each["early_t_s"]),
            likely_s=instant(each["swap_due_t_s"]),
            late_s=instant(each["late_t_s"]),
        )
        for each in rehearsal.lookout.forecasts
    ]
    return [forecast_chart(forecasts, pack_changes, zone=rehearsal.settings.site.zone())]


def _notice_rows(
    rehearsal: Rehearsal, notices: Sequence[tuple[float, str]]
) -> list[tuple[str, str]]:
    started = rehearsal.started
    # a space that does not break, so that the hour stays beside its day
    return [
        (words.weekday_and_hour(started + timedelta(seconds=t_s)).replace(" ", "\u00a0"), text)
        for t_s, text in notices
    ]
