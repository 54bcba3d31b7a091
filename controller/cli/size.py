"""``coldpin size``: will this plant hold this crop through the hottest day, and what to change."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from controller.cli import people
from controller.cli.expectation import cycles_of, hours_of, print_cycles, proposal_of
from controller.cli.instances import CONFIG
from controller.errors import PhysicsError, ScenarioError
from controller.pictures import words
from controller.planning.changes import best_changes
from controller.planning.cycle import Cycle, Proposal
from controller.planning.sizing import Band, Change, Sizing
from controller.planning.sizing import size as size_plant
from controller.settings.load import Settings, read_settings
from controller.settings.plant_sources import assumed_figures
from controller.settings.species import read_species
from controller.thermal.load import HeatLoad

BAR_WIDTH = 28
SOURCES = ("envelope", "air_exchange", "lights", "fans", "crop", "humidifier", "pump")


@click.command()
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def size(config: Path, as_json: bool) -> None:
    """Say whether the equipment of CONFIG holds its crop on a hot day.

    Shows the heat load, what the coil can take, how long packs last, the cycle to expect, a
    verdict with what limits it, and the changes that help most.
    """
    settings = read_settings(config, needs_fit=True)
    spec = settings.plant_spec()
    stage = settings.stages[settings.chamber.stage]
    band = Band(
        cut_in_c=stage.cut_in / 1000,
        cut_out_c=stage.cut_out / 1000,
        margin_k=settings.limits.reservoir_margin / 1000,
    )
    try:
        sizing = size_plant(spec, band)
        changes = best_changes(spec, band)
        hours = hours_of(settings, sizing.life.reservoir_mean_c)
        cycles, proposal = cycles_of(settings, hours), proposal_of(settings, hours)
        species = holdable(settings)
    except PhysicsError as error:
        raise ScenarioError(f"the plant cannot be sized: {error}") from error
    if as_json:
        document = _document(settings, sizing, changes, cycles)
        people.print_json({**document, "species": species, "proposal": _proposed(proposal)})
    else:
        console = people.console()
        _print_for_people(console, settings, sizing)
        print_cycles(console, cycles, proposal, settings.display.unit)
        console.print(f"\n[b]{_verdict_sentence(sizing)}[/b]")
        _print_changes(console, changes)
        _print_species(console, species)
        _print_assumed(console, settings)


def holdable(settings: Settings) -> dict[str, str]:
    """Return the verdict on each known species' cropping band, by id."""
    spec = settings.plant_spec()
    verdicts = {}
    for name, species in read_species().items():
        low_c, high_c = species.cropping.low / 1000, species.cropping.high / 1000
        quarter_k = (high_c - low_c) / 4
        band = Band(
            cut_in_c=high_c - quarter_k,
            cut_out_c=low_c + quarter_k,
            margin_k=settings.limits.reservoir_margin / 1000,
        )
        verdicts[name] = size_plant(spec, band).verdict
    return verdicts


def _print_for_people(console: Console, settings: Settings, sizing: Sizing) -> None:
    unit = settings.display.unit

    def shown(celsius: float | None) -> str:
        return words.temperature(None if celsius is None else celsius * 1000, unit)

    design = sizing.conditions
    console.print(
        f"[b]{settings.chamber.name}[/b], {settings.chamber.stage}: air {shown(design.air_c)} at "
        f"{design.air_rh:.0%}, room {shown(design.room_c)} at {sizing.hour}:00"
    )
    _print_load(console, sizing.hottest.load)
    table = people.table(
        "reservoir", "sensible", "latent", "water off", title="\nWhat the coil takes while it runs"
    )
    for reservoir_c, duty in sizing.coil:
        table.add_row(
            shown(reservoir_c),
            f"{duty.sensible_kw * 1000:.0f} W",
            f"{duty.latent_kw * 1000:.0f} W",
            f"{duty.condensate_kg_s * 3600:.2f} kg/h",
        )
    console.print(table)
    life, packs = sizing.life, settings.plant_spec().packs
    console.print("\nCold", style="bold")
    console.print(f"warmest useful reservoir at that hour: {shown(sizing.useful_reservoir_max_c)}")
    console.print(
        f"{life.ice_kg_per_day:.1f} kg of ice a day, {life.ice_kg_per_day / packs.kg:.1f} packs; a "
        f"set of {packs.in_reservoir} lasts {life.mean_h:.1f} h on average, {life.worst_h:.1f} h "
        "at worst"
    )
    console.print(_freezer_sentence(sizing, packs.count - packs.in_reservoir))


def _print_load(console: Console, load: HeatLoad) -> None:
    table = people.table("source", "W", "", title="\nHeat at the hottest hour")
    watts = {name: float(getattr(load, f"{name}_w")) for name in SOURCES}
    most_w = max(map(abs, watts.values())) or 1.0
    for name, value_w in watts.items():
        label = "pump (into the water)" if name == "pump" else name.replace("_", " ")
        bar = "█" * round(abs(value_w) / most_w * BAR_WIDTH)
        table.add_row(label, f"{value_w:.1f}", bar)
    console.print(table)
    console.print(
        f"to be taken from the air: {load.total_w:.1f} W, of it {load.latent_w:.1f} W as water"
    )


def _freezer_sentence(sizing: Sizing, in_freezer: int) -> str:
    if math.isinf(sizing.refreeze_h):
        return "the packs never freeze in this freezer: their plateau lies below its air"
    return (
        f"freezer: a pack takes {sizing.refreeze_h:.1f} h; {in_freezer} packs in it give back "
        f"{sizing.limit_kg_per_day:.1f} kg a day"
    )


def _verdict_sentence(sizing: Sizing) -> str:
    cover = sizing.cover
    if sizing.verdict == "holds":
        return f"holds: {cover.least:.0%} of what is needed; scarcest: {sizing.binding}"
    if sizing.verdict == "short":
        return f"short: {cover.least:.0%} of what is needed; what runs out: {sizing.binding}"
    return f"cannot hold this band: {sizing.binding}"


def _print_changes(console: Console, changes: tuple[Change, ...]) -> None:
    if not changes:
        console.print("No single change of those we try helps.")
        return
    table = people.table("what to change first", "from", "to", "brings", title="")
    for change in changes:
        table.add_row(
            change.what,
            f"{change.before:.3g} {change.unit}",
            f"{change.after:.3g} {change.unit}",
            f"+{change.gain:.0%}",
        )
    console.print(table)


def _print_species(console: Console, verdicts: dict[str, str]) -> None:
    """Say which species' cropping bands this plant could hold."""
    for verdict, begins in (
        ("holds", "It could hold the cropping bands of"),
        ("short", "It would run short with"),
        ("cannot", "It cannot hold"),
    ):
        names = [name for name, found in verdicts.items() if found == verdict]
        if names:
            console.print(f"{begins}: {', '.join(names)}.")


def _proposed(proposal: Proposal | None) -> dict[str, Any] | None:
    if proposal is None:
        return None
    return {
        "cut_in_c": proposal.cut_in_c,
        "cut_out_c": proposal.cut_out_c,
        "starts_per_h": proposal.starts_per_h,
        "keeps": proposal.keeps,
        "minimum_run_s": proposal.minimum_run_s,
        "anti_short_cycle_s": proposal.anti_short_cycle_s,
    }


def _print_assumed(console: Console, settings: Settings) -> None:
    assumed = list(assumed_figures(settings))
    if not assumed:
        return
    console.print("\nAssumed, because the configuration does not say", style="bold")
    for figure in assumed:
        console.print(f"- {figure.key} = {figure.value}: {figure.about}", style="dim")


def _document(
    settings: Settings, sizing: Sizing, changes: tuple[Change, ...], cycles: tuple[Cycle, ...]
) -> dict[str, Any]:
    design, load, life = sizing.conditions, sizing.hottest.load, sizing.life
    packs = settings.plant_spec().packs
    never = math.isinf(sizing.refreeze_h)
    sets = math.inf if never else 1 + sizing.refreeze_h / life.mean_h
    return {
        "design": {
            "room_c": design.room_c,
            "room_rh": design.room_rh,
            "air_c": design.air_c,
            "air_rh": design.air_rh,
            "hour": sizing.hour,
        },
        "load_w": {
            **{name: round(float(getattr(load, f"{name}_w")), 2) for name in SOURCES},
            "sensible": round(load.sensible_w, 2),
            "latent": round(load.latent_w, 2),
            "total": round(load.total_w, 2),
        },
        "coil": [
            {
                "reservoir_c": reservoir_c,
                "sensible_w": round(duty.sensible_kw * 1000, 2),
                "latent_w": round(duty.latent_kw * 1000, 2),
                "total_w": round(duty.total_kw * 1000, 2),
                "condensate_kg_h": round(duty.condensate_kg_s * 3600, 4),
            }
            for reservoir_c, duty in sizing.coil
        ],
        "useful_reservoir_max_c": sizing.useful_reservoir_max_c,
        "ice_kg_per_day": round(life.ice_kg_per_day, 3),
        "packs_per_day": round(life.ice_kg_per_day / packs.kg, 3),
        "hours_per_set": {"worst": round(life.worst_h, 2), "mean": round(life.mean_h, 2)},
        "sets_in_rotation": None if never else math.ceil(sets),
        "freezer": {
            "refreeze_h": None if never else round(sizing.refreeze_h, 2),
            "needed_kg_per_day": round(life.ice_kg_per_day, 3),
            "limit_kg_per_day": round(sizing.limit_kg_per_day, 3),
        },
        "cycle": [
            {
                "when": cycle.when,
                "on_s": cycle.on_s,
                "off_s": cycle.off_s,
                "starts_per_h": cycle.starts_per_h,
                "air_min_c": round(cycle.air_min_c, 3),
                "air_max_c": round(cycle.air_max_c, 3),
            }
            for cycle in cycles
        ],
        "verdict": sizing.verdict,
        "binding": sizing.binding,
        "changes": [
            {
                "what": change.what,
                "before": change.before,
                "after": change.after,
                "unit": change.unit,
                "gain": round(change.gain, 4),
            }
            for change in changes
        ],
        "assumed": [
            {"key": figure.key, "value": figure.value, "about": figure.about}
            for figure in assumed_figures(settings)
        ],
    }
