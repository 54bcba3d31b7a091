"""The figures of a report in words: names and values, for a screen and a page alike."""

from __future__ import annotations

from datetime import timedelta, tzinfo

from controller.domain.alarm_guide import alarm_title
from controller.domain.measures import degree_hours_text
from controller.history.alarm_figures import AlarmFigures, PastAlarm
from controller.history.report import Report, StageFigures
from controller.pictures import words

DAY = timedelta(days=1)


def report_rows(report: Report, unit: str) -> list[tuple[str, str]]:
    """Return the figures as names and values.

    Args:
        report: The figures.
        unit: Of temperatures on the screen, ``C`` or ``F``.
    """
    return [
        *((name, _stage_words(figures, unit)) for name, figures in report.stages.items()),
        *_pump_rows(report),
        *_pack_rows(report),
        *_probe_rows(report),
        ("trips", str(report.trips)),
        ("alarms", _alarm_rate_words(report)),
        ("recorded", _recorded_words(report)),
    ]


def _stage_words(figures: StageFigures, unit: str) -> str:
    mean = None if figures.mean_c is None else figures.mean_c * 1000
    return (
        f"in band {figures.in_band_share:.1%} of {words.duration(figures.known_s)}, "
        f"mean {words.temperature(mean, unit)}, "
        f"{degree_hours_text(figures.above_k_h, unit, decimals=2)} "
        f"above, {degree_hours_text(figures.below_k_h, unit, decimals=2)} below"
    )


def _pump_rows(report: Report) -> list[tuple[str, str]]:
    rows = [("pump", _pump_words(report))]
    if report.starts_by_day:
        day, most = max(report.starts_by_day.items(), key=lambda each: each[1])
        rows.append(("most starts", f"{most} on {day}"))
    runs = (
        f"longest {words.duration(report.longest_run_s)}, shortest "
        f"{words.duration(report.shortest_run_s)}; shortest rest "
        f"{words.duration(report.shortest_rest_s)}"
    )
    return [*rows, ("runs", runs)]


def _pack_rows(report: Report) -> list[tuple[str, str]]:
    rows = [("packs", f"{report.packs} put in")]
    if report.set_hours:
        mean_h = sum(report.set_hours) / len(report.set_hours)
        sets = (
            f"in for {min(report.set_hours):.1f} to {max(report.set_hours):.1f} h, "
            f"mean {mean_h:.1f} h"
        )
        rows.append(("sets", sets))
    return rows


def _probe_rows(report: Report) -> list[tuple[str, str]]:
    lost = ", ".join(
        f"{name} {words.counted(count, 'time')}" for name, count in report.probes_lost.items()
    )
    rows = [("probes lost", lost or "never")]
    for name, faults in report.refused.items():
        counts = "; ".join(f"{count} × {fault}" for fault, count in faults.items())
        rows.append((f"refused, {name}", counts))
    return rows


def _recorded_words(report: Report) -> str:
    return (
        f"{words.duration(report.recorded_s)} of {(report.until - report.since) / DAY:.1f} d, "
        f"{words.counted(len(report.gaps), 'gap')}; "
        f"air not known for {words.duration(report.air_lost_s)}"
    )


def _pump_words(report: Report) -> str:
    """Return how often and how long the pump ran, as far as that was recorded."""
    if report.duty is None:
        return "not recorded"
    unknown_s = report.recorded_s - report.switches_known_s
    missing = f"; not recorded for {words.duration(unknown_s)}" if unknown_s >= 1.0 else ""
    return f"{words.counted(report.starts, 'start')}, {report.duty:.1%} of the time{missing}"


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


def tuning_words(figures: AlarmFigures) -> str:
    """Return how often an alarm came and how long it stood."""
    parts = [words.counted(figures.count, "time")]
    if figures.chattering:
        parts.append("again and again within an hour")
    parts.append(f"longest {words.duration(60 * round(figures.longest_s / 60))}")
    if figures.still_active:
        parts.append("still active")
    return ", ".join(parts)


def span_words(alarm: PastAlarm, zone: tzinfo | None) -> str:
    """Return since when an alarm stood, and for how long."""
    raised = words.dated(alarm.raised.astimezone(zone))
    if alarm.cleared is None:
        return f"{raised}, still active"
    return f"{raised}, for {words.duration((alarm.cleared - alarm.raised).total_seconds())}"
