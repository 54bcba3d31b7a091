"""A report as one JSON document."""

from __future__ import annotations

from datetime import datetime, tzinfo
from typing import Any

from controller.history.report import Report


def report_document(report: Report, zone: tzinfo | None) -> dict[str, Any]:
    """Return what `coldpin report --json` prints, times in a zone."""

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
