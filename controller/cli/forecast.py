"""``coldpin forecast``: when the packs must be changed, how sure that is, and what to do when."""

from __future__ import annotations

from datetime import datetime, tzinfo
from pathlib import Path

import click

from controller.cli import people
from controller.cli.instances import CONFIG
from controller.cli.instants import instant
from controller.domain.places import state_directory
from controller.domain.published_forecast import FORECAST_CODEC, PublishedForecast
from controller.domain.requests import LoggedSwap
from controller.domain.zones import local_time
from controller.errors import RecordError
from controller.lookout.forecasting import RecordsForecaster
from controller.lookout.next_change import next_change
from controller.pictures import words
from controller.records.requests_file import REQUESTS, last_swap
from controller.settings.load import read_settings

BASES = {
    "sized": "the equipment as you described it",
    "mixed": "your description, and what was recorded so far",
    "learned": "what your equipment did with earlier packs",
    "unknown": "nothing can be said yet",
}


@click.command()
@CONFIG
@click.option("--as-of", "as_of_text", help="Judge a past moment, ISO 8601; default: now.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def forecast(config: Path, as_of_text: str | None, as_json: bool) -> None:
    """Say when to change packs, and plan the next two days."""
    settings = read_settings(config, needs_fit=True)
    as_of = datetime.now().astimezone()
    if as_of_text is not None:
        as_of = instant(as_of_text, option="--as-of", zone=settings.site.zone())
    place = state_directory(config)
    try:
        made = RecordsForecaster(settings, place, folder=config.parent).forecast(as_of)
        last = last_swap(place / REQUESTS)
    except (OSError, ArithmeticError) as error:
        raise RecordError(f"No forecast: {error}") from None
    if as_json:
        people.print_json(FORECAST_CODEC.document(made))
    else:
        print_forecast(made, last, settings.display.unit, settings.site.zone())


def print_forecast(
    forecast: PublishedForecast, last: LoggedSwap | None, unit: str, zone: tzinfo | None
) -> None:
    """Print a forecast for people.

    Args:
        forecast: As it was made.
        last: The last pack change that was logged.
        unit: The unit that people chose, C or F.
        zone: The chamber's zone; None: the machine's.
    """
    console = people.console()
    as_of = local_time(forecast.as_of, zone)
    change = next_change(forecast, None if forecast.known else last, as_of)
    console.print(change.do, style="bold")
    if not forecast.known:
        return
    for line in (change.lasts, change.left):
        if line:
            console.print(line)
    table = people.table("", "")
    table.show_header = False
    if forecast.early is not None and forecast.late is not None:
        early, late = (words.moment(each, as_of) for each in (forecast.early, forecast.late))
        table.add_row("nine times in ten after", early)
        table.add_row("nine times in ten before", late)
    if forecast.useful_until_c is not None:
        until = words.temperature(1000 * forecast.useful_until_c, unit)
        table.add_row("cold until", f"the reservoir is at {until}")
    if forecast.swapped_at is not None:
        table.add_row("packs went in", words.moment(forecast.swapped_at, as_of))
    seen = f"{forecast.cycles_learned} {'set' if forecast.cycles_learned == 1 else 'sets'} seen"
    table.add_row("learned from", f"{BASES[forecast.basis]} ({seen} to the end)")
    console.print(table)
    for note in forecast.notes:
        console.print(f"Note: {note}.")
    if forecast.plan:
        plan = people.table("change", "packs", "why", title="The next two days")
        for swap in forecast.plan:
            at = "now" if swap.at <= as_of else words.moment(swap.at, as_of)
            plan.add_row(at, str(swap.packs), swap.why)
        console.print(plan)
    if forecast.shortage is not None:
        console.print(words.shortage(forecast.shortage, as_of, unit), style="bold")
    elif forecast.freezer_keeps_up is False:
        console.print("Not every set can be whole; the band is held all the same.")
