"""A rehearsal on a screen: strips of its days, its figures, its alarms and notices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from typing import TYPE_CHECKING

from controller.cli import people
from controller.cli.rehearsal_weather import Season, print_season
from controller.domain.alarm_guide import alarm_title
from controller.domain.measures import degree_hours_text, weight_text
from controller.pictures import words
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.tally import HalfHour, Tally

if TYPE_CHECKING:
    from rich.console import Console

HALF_HOURS_A_DAY = 48
_LEVELS = " ▁▂▃▄▅▆▇█"


def print_rehearsal(
    rehearsal: Rehearsal, name: str, about: str, wall_s: float, season: Season | None
) -> None:
    """Print what a rehearsal came to.

    Args:
        rehearsal: It has been run.
        name: Of the scenario.
        about: The scenario in a sentence.
        wall_s: What the run took [s].
        season: The days of the weather year, shown week by week; None: none, day by day.
    """
    settings, tally = rehearsal.settings, rehearsal.tally
    console = people.console()
    title = f", {settings.chamber.stage}, scenario {name}"
    console.print(people.bold(settings.chamber.name).append(title))
    console.print(about)
    if season is None:
        _print_days(console, tally.half_hours)
    else:
        print_season(console, season, rehearsal, settings.display.unit)
    table = people.table("", "")
    table.show_header = False
    for row in _rows(rehearsal):
        table.add_row(*row)
    console.print(table)
    for line in _alarms(tally) if season is None else _alarm_counts(tally):
        console.print(f"alarm: {line}")
    for notice in rehearsal.lookout.notices:
        sent_at = rehearsal.started + timedelta(seconds=float(notice["t_s"]))
        console.print(f"notice {words.weekday_and_hour(sent_at)}: {notice['text']}")
    console.print(
        f"{words.counted(rehearsal.days, 'day')} in {wall_s:.1f} s, seed {rehearsal.seed}",
        style="dim",
    )


def _rows(rehearsal: Rehearsal) -> Iterator[tuple[str, str]]:
    tally, unit = rehearsal.tally, rehearsal.settings.display.unit
    allowed = "0.9 °F" if unit == "F" else "half a kelvin"
    yield "air", _spread(tally.air_c.document(tally.lasted_s), unit)
    yield "in band", f"{tally.in_band_share:.1%} of the time ({allowed} allowed)"
    yield (
        "out of band",
        (
            f"{degree_hours_text(tally.degree_hours_above, unit, decimals=2)} above cut-in, "
            f"{degree_hours_text(tally.degree_hours_below, unit, decimals=2)} below cut-out"
        ),
    )
    yield "reservoir", _spread(tally.reservoir_c.document(tally.lasted_s), unit)
    yield (
        "pump",
        (
            f"{words.counted(tally.starts, 'start')}, {tally.duty:.1%} of the time, "
            f"shortest run {words.duration(tally.shortest_run_s)}, shortest rest "
            f"{words.duration(tally.shortest_rest_s)}"
        ),
    )
    changes = words.counted(len(rehearsal.swaps), "change")
    yield "packs", f"{rehearsal.packs_used} put in at {changes}"
    account = rehearsal.chamber.account()
    if account.ice_melted_kg is not None and account.heat_removed_kj is not None:
        kwh = account.heat_removed_kj / 3600
        ice = weight_text(account.ice_melted_kg, unit)
        yield "cold", f"{ice} of ice melted, {kwh:.2f} kWh of heat removed"


def _spread(of: dict[str, float], unit: str) -> str:
    least, mean, most = (words.temperature(of[key] * 1000, unit) for key in ("min", "mean", "max"))
    return f"{least} to {most}, mean {mean}"


def _alarms(tally: Tally) -> Iterator[str]:
    for alarm in tally.alarms:
        until = (
            "still active"
            if alarm.cleared_t_s is None
            else f"for {words.duration(alarm.cleared_t_s - alarm.raised_t_s)}"
        )
        title = alarm_title(alarm.name, alarm.about)
        yield f"{title}, after {words.duration(alarm.raised_t_s)}, {until}"


def _alarm_counts(tally: Tally) -> Iterator[str]:
    for name, count in sorted(Counter(alarm.name for alarm in tally.alarms).items()):
        yield f"{alarm_title(name)}, {words.counted(count, 'time')}"


def _print_days(console: Console, half_hours: list[HalfHour]) -> None:
    """Print one strip per day: air above or below its band, and how much the pump ran."""
    for day in range(0, len(half_hours), HALF_HOURS_A_DAY):
        part = half_hours[day : day + HALF_HOURS_A_DAY]
        air = "".join(_air_mark(each) for each in part)
        pump = "".join(_LEVELS[round(each.pump_s / each.lasted_s * 8)] for each in part)
        label = f"day {day // HALF_HOURS_A_DAY + 1}"
        console.print(f"{label:>7} air  {air}", soft_wrap=True)
        console.print(f"{'':>7} pump {pump}", soft_wrap=True)
    console.print(f"{'':>12} one mark per half hour: · in band, ^ above, v below")


def _air_mark(half_hour: HalfHour) -> str:
    if half_hour.above_s > half_hour.lasted_s / 10:
        return "^"
    return "v" if half_hour.below_s > half_hour.lasted_s / 10 else "·"
