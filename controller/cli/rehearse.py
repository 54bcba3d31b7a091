"""``coldpin rehearse``: the control of a configuration, dry, through days in seconds."""

from __future__ import annotations

import csv
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from controller.cli import people
from controller.cli.extras import need
from controller.cli.instances import CONFIG
from controller.cli.rehearsal_comparison import comparison_document, print_comparison
from controller.cli.rehearsal_weather import MonthDay, Season, print_season, season_of
from controller.domain.alarm_guide import alarm_title
from controller.domain.measures import degree_hours_text, weight_text
from controller.domain.reading_rows import COLUMNS, cells_of
from controller.errors import PhysicsError, ScenarioError
from controller.pictures import words
from controller.planning.build import Build
from controller.planning.weather_spell import PlacedPlant, hottest_day, placed_plant
from controller.rehearsal.comparison import Outcome, outcome_of
from controller.rehearsal.document import rehearsal_document
from controller.rehearsal.dry_forecaster import DryForecaster
from controller.rehearsal.hot_days import hot_days_scenario
from controller.rehearsal.notified import NoticeSource
from controller.rehearsal.rehearse import Rehearsal, TraceRow
from controller.rehearsal.room_file import RoomSeries, room_series
from controller.rehearsal.season import weeks_of
from controller.rehearsal.tally import HalfHour
from controller.settings.load import Settings, read_settings
from controller.settings.scenario_file import ScenarioFile, read_scenario
from controller.settings.shipped import shipped_config

HALF_HOURS_A_DAY = 48
HOT_DAYS = "hot-days"
"""The hot spell that `coldpin size` judges by, and the person in it."""
_LEVELS = " ▁▂▃▄▅▆▇█"


def scenario_names() -> list[str]:
    """Return the names of the scenarios that need no file of one's own."""
    shipped = (path.stem for path in shipped_config("scenarios").glob("*.toml"))
    return sorted([*shipped, HOT_DAYS])


@click.command()
@CONFIG
@click.option(
    "--scenario",
    default="calm-day",
    show_default=True,
    metavar="NAME|FILE",
    help=f"One of {', '.join(scenario_names())}; or a file of your own.",
)
@click.option(
    "--days",
    type=click.FloatRange(0, 400, min_open=True),
    help="Length in days; default: the scenario's.",
)
@click.option("--seed", type=click.IntRange(min=0), help="Seed of noise and habits.")
@click.option(
    "--against",
    type=click.Choice(["plain"]),
    help="Compare with a plain on/off switch, and the control with and without its forecast.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write one row per minute of what the probes showed.",
)
@click.option(
    "--forecast",
    "foresee",
    is_flag=True,
    help="Forecast as the lookout would, and send the person its notices.",
)
@click.option(
    "--html",
    "html_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a page with a picture of it.",
)
@click.option(
    "--weather",
    "weather_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A published weather year (EPW or TMY3 CSV); your house follows its outdoor air.",
)
@click.option("--from", "first", type=MonthDay(), help="First day of the weather year to use.")
@click.option("--to", "last", type=MonthDay(), help="Last day of the weather year to use.")
def rehearse(
    config: Path,
    scenario: str,
    days: float | None,
    seed: int | None,
    against: str | None,
    as_json: bool,
    csv_file: Path | None,
    html_file: Path | None,
    foresee: bool,
    weather_file: Path | None,
    first: date | None,
    last: date | None,
) -> None:
    """Run the control of CONFIG through simulated days, in seconds.

    The control code is the service's own; only the probes, the relays and the clock are simulated.
    """
    settings = read_settings(config, needs_fit=True)
    hot = scenario == HOT_DAYS
    script = hot_days_scenario() if hot else read_scenario(_scenario_path(scenario))
    if html_file is not None:
        need("lookout", what="--html")
    season = season_of(settings, script, weather_file, first, last)
    swap_at_c = None
    if hot:
        script, room, swap_at_c = _hot_days(settings, config.parent, season)
    else:
        room = room_series(settings, config.parent) if season is None else season.room
    with ExitStack() as files:
        traces: list[Callable[[TraceRow], None]] = []
        seen: list[TraceRow] = []
        if csv_file:
            traces.append(files.enter_context(_trace(csv_file)))
        if html_file:
            traces.append(seen.append)
        trace = _all_of(traces) if traces else None
        progress = files.enter_context(_progress_bar())

        def run(*, plain: bool = False, notified: bool) -> tuple[Rehearsal, float]:
            rehearsal = Rehearsal(
                settings,
                script,
                days=season.days if season is not None and days is None else days,
                seed=seed,
                trace=trace if notified is foresee and not plain else None,
                swap_at_c=swap_at_c,
                keep_switches=as_json,
                plain=plain,
                room=room,
                first_day=None if season is None else season.first,
                forecaster=DryForecaster(settings) if notified else None,
                notifier=_notifier(settings, script) if notified else None,
            )
            began = time.perf_counter()
            rehearsal.run(progress)
            return rehearsal, time.perf_counter() - began

        ours, ours_s = run(notified=foresee)
        others = None
        if against:
            others = run(plain=True, notified=False), run(notified=not foresee)
    if html_file:
        _write_picture(html_file, ours, seen, scenario, script.about)
    if as_json:
        document = rehearsal_document(ours, config=str(config), scenario=scenario, wall_s=ours_s)
        if season is not None:
            document["weeks"] = [week.document() for week in weeks_of(ours)]
        if others is not None:
            (plain, plain_s), _ = others
            document["against"] = rehearsal_document(
                plain, config=str(config), scenario=scenario, wall_s=plain_s
            )
            document["comparison"] = comparison_document(_outcomes(ours, others, foresee=foresee))
        people.print_json(document)
    elif others is None:
        _print_for_people(ours, scenario, script.about, ours_s, season)
    else:
        chamber = settings.chamber
        print_comparison(
            title=f"{chamber.name}, {chamber.stage}, scenario {scenario}",
            unit=settings.display.unit,
            **_outcomes(ours, others, foresee=foresee),
        )
        took_s = ours_s + sum(lasted_s for _, lasted_s in others)
        people.console().print(
            f"{words.counted(ours.days, 'day')} in {took_s:.1f} s, under each of three controls, "
            f"seed {ours.seed}",
            style="dim",
        )


def _outcomes(
    ours: Rehearsal,
    others: tuple[tuple[Rehearsal, float], tuple[Rehearsal, float]],
    *,
    foresee: bool,
) -> dict[str, Outcome]:
    """Return what plain switch, control alone and control with notices came to."""
    (plain, _), (other, _) = others
    alone, notified = (other, ours) if foresee else (ours, other)
    return {
        "plain": outcome_of(plain),
        "alone": outcome_of(alone),
        "notified": outcome_of(notified),
    }


def _notifier(settings: Settings, script: ScenarioFile) -> NoticeSource:
    """Return what decides on notices; imported only here, since most rehearsals need none."""
    from controller.cli.rehearsal_notices import RehearsedNotices  # noqa: PLC0415

    return RehearsedNotices(settings, script.grower)


def _hot_days(
    settings: Settings, folder: Path, season: Season | None
) -> tuple[ScenarioFile, RoomSeries | None, float]:
    """Return hot days: scenario, room, and the reservoir at which the person changes packs.

    The room is that of the season, else the one that `coldpin size` judges by.

    Raises:
        ScenarioError: The plant cannot be simulated.
    """
    try:
        if season is None:
            placed = placed_plant(settings, folder)
        else:
            warmest = hottest_day(season.room, altitude_m=settings.site.altitude_m)
            plant = replace(settings.plant_spec(), room=warmest)
            placed = PlacedPlant(plant=plant, room=season.room)
        build = Build(settings=settings, plant=placed.plant)
        return build.scenario(), placed.room, build.spent_c()
    except PhysicsError as error:
        raise ScenarioError(f"the plant cannot be simulated: {error}") from error


def _scenario_path(named: str) -> Path:
    shipped = shipped_config("scenarios") / f"{named}.toml"
    if shipped.is_file():
        return shipped
    if named.endswith(".toml") or "/" in named:
        return Path(named)
    raise click.BadParameter(
        f'found "{named}", allowed: {", ".join(scenario_names())}, or a .toml file',
        param_hint="--scenario",
    )


@contextmanager
def _progress_bar() -> Iterator[Callable[[float], None]]:
    """Show how far it is, where somebody watches."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda _: None
        return
    columns = (TextColumn("rehearsing"), BarColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield lambda share: bar.update(task, completed=share)


@contextmanager
def _trace(path: Path) -> Iterator[Callable[[TraceRow], None]]:
    """Write rows in the layout of a record of readings."""
    try:
        file = path.open("w", encoding="utf-8", newline="")
    except OSError as error:
        raise click.BadParameter(
            f"cannot write {path}: {error.strerror}", param_hint="--csv"
        ) from None
    with file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(COLUMNS)

        def write(row: TraceRow) -> None:
            rows.writerow(
                cells_of(
                    row.time,
                    readings_mc=row.readings_mc,
                    pump=row.pump,
                    fan=row.fan,
                    swap_packs=row.swap_packs,
                )
            )

        yield write


def _all_of(traces: list[Callable[[TraceRow], None]]) -> Callable[[TraceRow], None]:
    def each(row: TraceRow) -> None:
        for trace in traces:
            trace(row)

    return each


def _write_picture(
    path: Path, rehearsal: Rehearsal, rows: list[TraceRow], scenario: str, about: str
) -> None:
    """Write the page; what draws it is imported only here, since most rehearsals need none."""
    from controller.cli.rehearsal_page import rehearsal_page  # noqa: PLC0415

    try:
        path.write_text(rehearsal_page(rehearsal, rows, scenario, about), encoding="utf-8")
    except OSError as error:
        raise click.BadParameter(
            f"cannot write {path}: {error.strerror}", param_hint="--html"
        ) from None


def _print_for_people(
    rehearsal: Rehearsal, name: str, about: str, wall_s: float, season: Season | None
) -> None:
    tally, account = rehearsal.tally, rehearsal.chamber.account()
    settings = rehearsal.settings
    unit = settings.display.unit
    console = people.console()
    console.print(f"[b]{settings.chamber.name}[/b], {settings.chamber.stage}, scenario {name}")
    console.print(about)
    if season is None:
        _print_days(console, tally.half_hours)
    else:
        print_season(console, season, rehearsal, unit)
    table = people.table("", "")
    table.show_header = False

    def spread(of: dict[str, float]) -> str:
        least, mean, most = (
            words.temperature(of[key] * 1000, unit) for key in ("min", "mean", "max")
        )
        return f"{least} to {most}, mean {mean}"

    allowed = "0.9 °F" if unit == "F" else "half a kelvin"
    rows = [
        ("air", spread(tally.air_c.document(tally.lasted_s))),
        ("in band", f"{tally.in_band_share:.1%} of the time ({allowed} allowed)"),
        (
            "out of band",
            (
                f"{degree_hours_text(tally.degree_hours_above, unit, decimals=2)} above cut-in, "
                f"{degree_hours_text(tally.degree_hours_below, unit, decimals=2)} below cut-out"
            ),
        ),
        ("reservoir", spread(tally.reservoir_c.document(tally.lasted_s))),
        (
            "pump",
            (
                f"{words.counted(tally.starts, 'start')}, {tally.duty:.1%} of the time, "
                f"shortest run {words.duration(tally.shortest_run_s)}, shortest rest "
                f"{words.duration(tally.shortest_rest_s)}"
            ),
        ),
        (
            "packs",
            f"{rehearsal.packs_used} put in at {words.counted(len(rehearsal.swaps), 'change')}",
        ),
    ]
    if account.ice_melted_kg is not None and account.heat_removed_kj is not None:
        kwh = account.heat_removed_kj / 3600
        ice = weight_text(account.ice_melted_kg, unit)
        rows.append(("cold", f"{ice} of ice melted, {kwh:.2f} kWh of heat removed"))
    for row in rows:
        table.add_row(*row)
    console.print(table)
    if season is not None:
        counts = Counter(alarm.name for alarm in tally.alarms)
        for name_of_alarm, count in sorted(counts.items()):
            console.print(f"alarm: {alarm_title(name_of_alarm)}, {words.counted(count, 'time')}")
    for alarm in tally.alarms if season is None else ():
        until = (
            "still active"
            if alarm.cleared_t_s is None
            else f"for {words.duration(alarm.cleared_t_s - alarm.raised_t_s)}"
        )
        when = words.duration(alarm.raised_t_s)
        title = alarm_title(alarm.name, alarm.about)
        console.print(f"alarm: {title}, after {when}, {until}")
    for notice in rehearsal.notified.notices:
        sent_at = rehearsal.started + timedelta(seconds=float(notice["t_s"]))
        console.print(f"notice {sent_at:%a %H:%M}: {notice['text']}")
    console.print(
        f"{words.counted(rehearsal.days, 'day')} in {wall_s:.1f} s, seed {rehearsal.seed}",
        style="dim",
    )


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
