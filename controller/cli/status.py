"""``coldpin status``: how the chamber is now, on one screen and as an exit status."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from controller.cli import people
from controller.cli.first_run_words import words_of
from controller.domain.places import records_path, state_directory
from controller.pictures import words
from controller.records.boot import boot_id, boottime
from controller.records.first_runs import last_first_run
from controller.records.forecast_file import read_forecast
from controller.records.requests import REQUESTS, Kind, newest
from controller.records.status_file import STATUS, age_s, read_status, runtime_directory, silent
from controller.settings.load import read_settings

WELL, ALARMED, SILENT = 0, 1, 2
WATCH_EVERY_S = 2.0


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option("--watch", is_flag=True, help="Go on until interrupted.")
def status(config: Path, as_json: bool, watch: bool) -> int:
    """Show how the chamber of CONFIG is now.

    Exit status: 0 all is well, 1 an alarm stands, 2 the service is silent.
    """
    unit = read_settings(config).display.unit
    while True:
        document = status_of(config)
        if as_json:
            people.print_json(document)
        else:
            console = people.console()
            if watch:
                console.clear()
            _print_for_people(console, document, unit)
        if not watch:
            return _exit_status(document)
        time.sleep(WATCH_EVERY_S)


def status_of(config: Path) -> dict[str, Any]:
    """Return what the service last told, how old it is, and the last swap that was noted."""
    place = state_directory(config)
    found = read_status(runtime_directory(place) / STATUS)
    age = None
    if found is not None:
        age = age_s(found, boot_id=boot_id(), boottime_s=boottime())
    try:
        last = newest(place / REQUESTS, Kind.SWAP)
    except OSError:
        last = None
    return {
        "silent": silent(found, boot_id=boot_id(), boottime_s=boottime()),
        "age_s": None if age is None else round(age, 1),
        "last_swap": None if last is None else last.payload,
        "first_run": _first_run(config, place),
        "forecast": read_forecast(place, now=datetime.now(UTC)),
        "status": found,
    }


def _first_run(config: Path, place: Path) -> dict[str, Any] | None:
    try:
        return last_first_run(records_path(read_settings(config).records.path, place))
    except OSError:
        return None  # the records have their own alarm


def _exit_status(document: dict[str, Any]) -> int:
    if document["silent"]:
        return SILENT
    return ALARMED if document["status"]["alarms"] else WELL


def _print_for_people(console: Console, document: dict[str, Any], unit: str) -> None:
    found = document["status"]
    if found is None:
        console.print("[b]The service is silent[/b]: it is not running, or not here.")
        return
    if document["silent"]:
        age = document["age_s"]
        since = "before the last boot" if age is None else f"{words.duration(age)} ago"
        console.print(f"[b]The service is silent.[/b] What follows is old: {since}.")

    def shown(celsius: float | None) -> str:
        return words.temperature(None if celsius is None else celsius * 1000, unit)

    console.print(
        f"[b]{found['chamber']}[/b], {found['stage']}: {found['phase']}, {found['reason']}"
    )
    table = people.table("", "")
    table.show_header = False
    for name, probe in found["probes"].items():
        band = (
            f" (band {shown(found['cut_out_c'])} to {shown(found['cut_in_c'])})"
            if name == "air"
            else ""
        )
        told = shown(probe["reading_c"]) if probe["lost"] is None else f"lost: {probe['lost']}"
        table.add_row(name.replace("_", " "), f"{told}{band}")
    on = {True: "on", False: "off"}
    table.add_row("pump, fan", f"{on[found['pump']]}, {on[found['fan']]}")
    for name, left_s in found["timers_left"].items():
        label = name.removesuffix("_s").replace("_", " ")
        table.add_row(f"{label} left", words.duration(left_s))
    swap = document["last_swap"]
    if swap is not None:
        table.add_row("last swap", f"{swap.get('packs', '?')} packs, {swap.get('at', '?')}")
    forecast = document["forecast"]
    if forecast is not None and forecast.get("swap_due"):
        table.add_row("swap due", _swap_due(forecast))
    table.add_row("as of", f"{found['as_of']}, {words.duration(document['age_s'])} ago")
    table.add_row("first run", words_of(document["first_run"]))
    console.print(table)
    for alarm in found["alarms"]:
        about = f" ({alarm['about']})" if alarm["about"] else ""
        seen = ", seen" if alarm["acknowledged"] else ""
        console.print(f"alarm: {alarm['name']}{about}{seen}")
    if not found["alarms"] and not document["silent"]:
        console.print("No alarm stands.")


def _swap_due(forecast: dict[str, Any]) -> str:
    now = datetime.fromisoformat(forecast["as_of"])
    due = words.moment(forecast["swap_due"], now)
    early, late = forecast.get("early"), forecast.get("late")
    if not (early and late):
        return due
    likely = [words.moment(each, now, far=False) for each in (early, late)]
    return f"{due}, likely {likely[0]} to {likely[1]}"
