"""``coldpin chambers``: which chamber to go to first, and whether the freezer keeps up."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click

from controller.cli import people
from controller.cli.configurations import configurations
from controller.cli.extras import need
from controller.cli.instances import Instance
from controller.domain import places
from controller.domain.places import RUNTIME, state_directory
from controller.domain.zones import local_time
from controller.errors import RecordError, SettingsError
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
) -> int:
    """List several chambers, the one that needs attention first.

    A folder stands for every configuration in it. With --broker, every chamber that the broker
    knows is listed, wherever it is. Exit status 78: a configuration cannot be used; the other
    chambers are listed all the same.
    """
    if not configs and not places.configurations_in(places.CONFIGURATIONS):
        raise click.UsageError(
            f"name configurations, or a folder of them: there is none in {places.CONFIGURATIONS}"
        )
    if broker:
        need("mqtt", what="coldpin chambers --broker")
    paths = configurations(configs or (places.CONFIGURATIONS,))
    usable = {path: settings for path in paths if (settings := _usable(path)) is not None}
    if not usable or (broker and paths[0] not in usable):
        return os.EX_CONFIG
    config, first = next(iter(usable.items()))
    now = datetime.now(UTC)
    summaries = (
        _from_broker(first, config, now)
        if broker
        else [_on_this_machine(path, usable.get(path), now) for path in paths]
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
        return _status(usable, paths)
    console = people.console()
    table = people.table("chamber", "next pack change", "air", "reservoir", "why this place")
    for row in rows:
        why = f"{row.how}; {row.alarms}" if row.alarms else row.how
        table.add_row(people.bold(row.name), row.swap, row.air, row.reservoir, why)
    console.print(table)
    for each in budgets:
        console.print(budget_words(each, now=local_time(now, zone)))
    return _status(usable, paths)


def _status(usable: Mapping[Path, Settings], paths: Sequence[Path]) -> int:
    return 0 if len(usable) == len(paths) else os.EX_CONFIG


def _usable(config: Path) -> Settings | None:
    """Return what a configuration says; None, and the reason on standard error, where it cannot.

    One that is being changed must not hide the chambers that need somebody.
    """
    try:
        return read_settings(config)
    except SettingsError as error:
        click.echo("\n  ".join([f"{error.where} cannot be used:", *error.problems]), err=True)
        return None


def _on_this_machine(config: Path, settings: Settings | None, now: datetime) -> ChamberSummary:
    chamber = chamber_at(state_directory(config), run=RUNTIME, now=now)
    if chamber is None or not chamber.name:
        return chamber_of(
            config.stem,
            silent=True,
            status=None,
            forecast=None,
            name="" if settings is None else settings.chamber.name,
        )
    return chamber


def _from_broker(settings: Settings, config: Path, now: datetime) -> list[ChamberSummary]:
    broker = broker_of(settings, config.parent)
    if broker is None:
        raise SettingsError(str(config), ("mqtt.host: found nothing, allowed: a broker's name",))
    try:
        return chambers_of_broker(ask_broker(broker), now=now)
    except OSError as error:
        host = f"{settings.mqtt.host}, port {settings.mqtt.port}"
        raise RecordError(f"The broker at {host} does not answer: {error}") from None


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
