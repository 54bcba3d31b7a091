"""``coldpin chambers``: which chamber to go to first, and whether the freezer keeps up."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.cli import people
from controller.cli.configurations import configurations
from controller.cli.instances import Instance
from controller.domain import places
from controller.domain.places import RUNTIME, state_directory
from controller.domain.zones import local_time
from controller.errors import SettingsError
from controller.lookout.broker.connection import broker_of
from controller.lookout.broker.other_chambers import ask_broker
from controller.lookout.chamber_rows import rows_of
from controller.lookout.chambers import ChamberSummary, chamber_at, chamber_of, chambers_of_broker
from controller.lookout.pack_budget import Budget, budget_of, budget_words
from controller.settings.foresight_of import freezer_packs_per_day
from controller.settings.load import Settings, read_settings


@click.command()
@click.argument("configs", nargs=-1, type=Instance(), metavar="[CONFIG]...")
@click.option(
    "--broker", is_flag=True, help="List what the broker in [mqtt] of the first CONFIG knows."
)
@click.option(
    "--freezer",
    "packs_per_day",
    type=click.FloatRange(0, min_open=True),
    help="Packs that one freezer freezes in a day; by default from the configuration.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def chambers(
    configs: tuple[Path, ...], broker: bool, packs_per_day: float | None, as_json: bool
) -> None:
    """List several chambers, the one that needs attention first.

    A folder stands for every configuration in it. With --broker, every chamber that the broker
    knows is listed, wherever it is.
    """
    if not configs and not places.configurations_in(places.CONFIGURATIONS):
        raise click.UsageError(
            f"name configurations, or a folder of them: there is none in {places.CONFIGURATIONS}"
        )
    paths = configurations(configs or (places.CONFIGURATIONS,))
    first = read_settings(paths[0])
    now = datetime.now(UTC)
    summaries = (
        _from_broker(first, paths[0]) if broker else [_on_this_machine(path, now) for path in paths]
    )
    per_day = packs_per_day or freezer_packs_per_day(first)
    budgets = (
        []
        if per_day is None
        else [
            budget_of(summaries, packs_per_day=per_day, now=now, hours=hours)
            for hours in (24.0, 48.0)
        ]
    )
    zone, unit = first.site.zone(), first.display.unit
    rows = rows_of(summaries, now=now, zone=zone, unit=unit)
    if as_json:
        by_instance = {chamber.instance: chamber for chamber in summaries}
        people.print_json(
            {
                "as_of": now.astimezone(zone).isoformat(timespec="seconds"),
                "chambers": [_document(by_instance[row.instance], row.how) for row in rows],
                "freezer": [_budget_document(each) for each in budgets],
            }
        )
        return
    console = people.console()
    table = people.table("chamber", "next pack change", "air", "reservoir", "why this place")
    for row in rows:
        why = f"{row.how}; {row.alarms}" if row.alarms else row.how
        table.add_row(people.bold(row.name), row.swap, row.air, row.reservoir, why)
    console.print(table)
    for each in budgets:
        console.print(budget_words(each, now=local_time(now, zone)))


def _on_this_machine(config: Path, now: datetime) -> ChamberSummary:
    settings = read_settings(config)
    chamber = chamber_at(state_directory(config), run=RUNTIME, now=now)
    if chamber is None or not chamber.name:
        return chamber_of(
            config.stem, silent=True, status=None, forecast=None, name=settings.chamber.name
        )
    return chamber


def _from_broker(settings: Settings, config: Path) -> list[ChamberSummary]:
    broker = broker_of(settings, config.parent)
    if broker is None:
        raise SettingsError(str(config), ("mqtt.host: found nothing, allowed: a broker's name",))
    try:
        return chambers_of_broker(ask_broker(broker))
    except (OSError, ImportError) as error:
        raise SettingsError(str(config), (f"mqtt: {error}",)) from None


def _document(chamber: ChamberSummary, why: str) -> dict[str, object]:
    document = asdict(chamber)
    document.pop("port")
    document["alarms"] = [alarm.name for alarm in chamber.alarms]
    for name in ("early", "due", "late"):
        at = document[name]
        document[name] = None if at is None else at.isoformat(timespec="seconds")
    document["plan"] = [
        {"at": each.at.isoformat(timespec="seconds"), "packs": each.packs} for each in chamber.plan
    ]
    return {**document, "why": why}


def _budget_document(budget: Budget) -> dict[str, object]:
    return {
        "hours": budget.hours,
        "packs_wanted": budget.wanted,
        "packs_frozen": round(budget.frozen, 1),
        "keeps_up": budget.keeps_up,
        "by_chamber": dict(budget.by_chamber),
        "without": [
            {"chamber": name, "at": at.isoformat(timespec="seconds"), "packs_missing": missing}
            for name, at, missing in budget.without
        ],
        "unknown": list(budget.unknown),
    }
