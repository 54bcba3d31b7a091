"""``coldpin forecast``: when the packs must be changed, how sure that is, and what to do when."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from controller.cli import people
from controller.cli.instances import CONFIG
from controller.cli.instants import instant
from controller.domain.forecast import FORECAST_CODEC, PublishedForecast
from controller.domain.places import state_directory
from controller.errors import RecordError
from controller.lookout.forecasting import RecordsForecaster
from controller.pictures import words
from controller.settings.load import read_settings

BASES = {
    "sized": "from the sized values alone: no set of packs was seen to its end yet",
    "mixed": "from the sized values and what was seen so far",
    "learned": "from what this plant did with earlier sets of packs",
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
    except (OSError, ArithmeticError) as error:
        raise RecordError(f"no forecast can be made: {error}") from None
    if as_json:
        people.print_json(FORECAST_CODEC.document(made))
    else:
        print_forecast(made, settings.display.unit)


def print_forecast(forecast: PublishedForecast, unit: str) -> None:
    """Print a forecast for people."""
    console = people.console()
    as_of = forecast.as_of
    if not forecast.known:
        console.print("[b]No forecast yet[/b]: " + "; ".join(forecast.notes) + ".")
        return

    def at(instant: datetime | None) -> str:
        return "later than 60 h from now" if instant is None else words.moment(instant, as_of)

    table = people.table("", "")
    table.show_header = False
    table.add_row("swap due", f"[b]{at(forecast.swap_due)}[/b]")
    if forecast.early is not None:
        until = "" if forecast.late is None else f" to {at(forecast.late)}"
        table.add_row("likely from", f"{at(forecast.early)}{until}")
    if forecast.reserve_kj is not None:
        table.add_row(
            "cold reserve",
            f"{forecast.reserve_kj:.0f} kJ ({forecast.reserve_early_kj:.0f} to "
            f"{forecast.reserve_late_kj:.0f}), {forecast.taken_up_kj:.0f} kJ taken up",
        )
    if forecast.useful_until_c is not None:
        table.add_row("useful until", f"the reservoir is at {forecast.useful_until_c:.1f} °C")
    table.add_row("since the swap of", at(forecast.swapped_at))
    table.add_row("basis", f"{BASES[forecast.basis]} ({forecast.cycles_learned} ends seen)")
    console.print(table)
    for note in forecast.notes:
        console.print(f"Note: {note}.")
    if forecast.plan:
        plan = people.table("swap", "packs", "why", title="Plan for two days")
        for swap in forecast.plan:
            plan.add_row(at(swap.at), str(swap.packs), swap.why)
        console.print(plan)
    if forecast.shortage is not None:
        console.print(f"[b]{words.shortage(forecast.shortage, as_of, unit)}[/b]")
    elif not forecast.freezer_keeps_up:
        console.print("Not every set can be whole; the band is held all the same.")
