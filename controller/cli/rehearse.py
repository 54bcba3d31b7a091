"""``coldpin rehearse``: the control of a configuration, dry, through days in seconds."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from controller.cli import people
from controller.cli.extras import need
from controller.cli.files import OutputFile, not_written
from controller.cli.instances import CONFIG
from controller.cli.rehearsal_comparison import comparison_document, print_comparison
from controller.cli.rehearsal_screen import print_rehearsal
from controller.cli.rehearsal_weather import MonthDay, Season, season_of
from controller.domain.reading_rows import COLUMNS, cells_of
from controller.errors import InputFileError, PhysicsError, ScenarioError
from controller.pictures import words
from controller.planning.build import Build
from controller.planning.weather_spell import PlacedPlant, hottest_day, placed_plant
from controller.rehearsal.comparison import Outcome, outcome_of
from controller.rehearsal.document import rehearsal_document
from controller.rehearsal.dry_forecaster import DryForecaster
from controller.rehearsal.hot_days import hot_days_scenario, on_equipment
from controller.rehearsal.notified import NoticeSource
from controller.rehearsal.rehearse import Rehearsal
from controller.rehearsal.room_file import RoomSeries, room_series
from controller.rehearsal.season import weeks_of
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import Settings, read_settings
from controller.settings.problems import entry
from controller.settings.scenario_file import ScenarioFile, read_scenario
from controller.settings.shipped import shipped_config

HOT_DAYS = "hot-days"
"""The hot spell that `coldpin size` judges by, and the person in it."""


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
    help="Compare three: a plain on/off switch, this control, and this control with its forecast.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--csv",
    "csv_file",
    type=OutputFile(),
    help="Write the probes' readings, one row per minute.",
)
@click.option(
    "--forecast",
    "foresee",
    is_flag=True,
    help="Add the lookout's forecasts, and its notices to the simulated person.",
)
@click.option(
    "--html",
    "html_file",
    type=OutputFile(),
    help="Write a page with a picture of the rehearsal.",
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
    script = _script_of(scenario)
    _require_probes(script, settings, scenario)
    if html_file is not None:
        need("lookout", what="--html")
    season = season_of(settings, script, weather_file, first, last, days)
    swap_at_c = None
    if scenario == HOT_DAYS:
        settings = on_equipment(settings)
        script, room, swap_at_c = _hot_days(settings, config.parent, season)
    else:
        room = room_series(settings, config.parent) if season is None else season.room
    dry = _DryRun(
        settings=settings,
        script=script,
        room=room,
        swap_at_c=swap_at_c,
        days=season.days if season is not None and days is None else days,
        seed=seed,
        season=season,
        keep_switches=as_json,
    )
    seen: list[TraceRow] = []
    with ExitStack() as files:
        traces: list[Callable[[TraceRow], None]] = []
        if csv_file:
            traces.append(files.enter_context(_trace(csv_file)))
        if html_file:
            traces.append(seen.append)
        progress = files.enter_context(_progress_bar())
        ours = dry.run(progress, notified=foresee, trace=_all_of(traces) if traces else None)
        others = None
        if against:
            plain = dry.run(progress, notified=False, plain=True)
            others = plain, dry.run(progress, notified=not foresee)
    if html_file:
        _write_picture(html_file, ours.rehearsal, seen, scenario, script.about)
    compared = None if others is None else _outcomes(ours, others, foresee=foresee)
    if as_json:
        people.print_json(_document(ours, others, compared, str(config), scenario, season))
    elif others is None or compared is None:
        print_rehearsal(ours.rehearsal, scenario, script.about, ours.wall_s, season)
    else:
        _print_comparison(settings, scenario, ours, others, compared)


@dataclass(frozen=True, slots=True, kw_only=True)
class _TimedRun:
    """A rehearsal that was run, and what it took [s]."""

    rehearsal: Rehearsal
    wall_s: float


_Others = tuple[_TimedRun, _TimedRun]
"""Beside the one that was asked for: under a plain switch, and with or without notices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _DryRun:
    """What is to be rehearsed, under whichever control."""

    settings: Settings
    script: ScenarioFile
    room: RoomSeries | None
    swap_at_c: float | None
    """True reservoir [°C] at which the person changes packs; None: as the scenario says."""
    days: float | None
    seed: int | None
    season: Season | None
    keep_switches: bool

    def run(
        self,
        progress: Callable[[float], None],
        *,
        notified: bool,
        plain: bool = False,
        trace: Callable[[TraceRow], None] | None = None,
    ) -> _TimedRun:
        """Rehearse it.

        Args:
            progress: Is given the share that is done.
            notified: Whether forecasts are made and the person is sent notices.
            plain: Whether a plain switch controls it.
            trace: Is given a row per minute.
        """
        rehearsal = Rehearsal(
            self.settings,
            self.script,
            days=self.days,
            seed=self.seed,
            trace=trace,
            swap_at_c=self.swap_at_c,
            keep_switches=self.keep_switches,
            plain=plain,
            room=self.room,
            first_day=None if self.season is None else self.season.first,
            forecaster=DryForecaster(self.settings) if notified else None,
            notifier=_notifier(self.settings, self.script) if notified else None,
        )
        began = time.perf_counter()
        rehearsal.run(progress)
        return _TimedRun(rehearsal=rehearsal, wall_s=time.perf_counter() - began)


def _document(
    ours: _TimedRun,
    others: _Others | None,
    compared: dict[str, Outcome] | None,
    config: str,
    name: str,
    season: Season | None,
) -> dict[str, Any]:
    def document_of(run: _TimedRun) -> dict[str, Any]:
        return rehearsal_document(run.rehearsal, config=config, scenario=name, wall_s=run.wall_s)

    document = document_of(ours)
    if season is not None:
        document["weeks"] = [week.document() for week in weeks_of(ours.rehearsal)]
    if others is not None and compared is not None:
        document["against"] = document_of(others[0])
        document["comparison"] = comparison_document(compared)
    return document


def _print_comparison(
    settings: Settings, name: str, ours: _TimedRun, others: _Others, compared: dict[str, Outcome]
) -> None:
    chamber = settings.chamber
    print_comparison(
        title=f"{chamber.name}, {chamber.stage}, scenario {name}",
        unit=settings.display.unit,
        **compared,
    )
    took_s = ours.wall_s + sum(each.wall_s for each in others)
    people.console().print(
        f"{words.counted(ours.rehearsal.days, 'day')} in {took_s:.1f} s, under each of three "
        f"controls, seed {ours.rehearsal.seed}",
        style="dim",
    )


def _outcomes(ours: _TimedRun, others: _Others, *, foresee: bool) -> dict[str, Outcome]:
    """Return what plain switch, control alone and control with notices came to."""
    plain, other = others
    alone, notified = (other, ours) if foresee else (ours, other)
    return {
        "plain": outcome_of(plain.rehearsal),
        "alone": outcome_of(alone.rehearsal),
        "notified": outcome_of(notified.rehearsal),
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


def _script_of(named: str) -> ScenarioFile:
    return hot_days_scenario() if named == HOT_DAYS else read_scenario(_scenario_path(named))


def _require_probes(script: ScenarioFile, settings: Settings, named: str) -> None:
    """Refuse a fault of a probe that the chamber does not have: nothing would go wrong.

    Raises:
        InputFileError: Names every such fault.
    """
    fitted = settings.probes.fitted()
    problems = tuple(
        f'faults.{entry(number)}.probe: found "{fault.probe}", which this chamber does not have, '
        f"allowed: {', '.join(fitted)}"
        for number, fault in enumerate(script.faults)
        if fault.probe is not None and fault.probe not in fitted
    )
    if problems:
        raise InputFileError(named, problems)


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
        raise not_written(path, error, option="--csv") from None
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
        raise not_written(path, error, option="--html") from None
