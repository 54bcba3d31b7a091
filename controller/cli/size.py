"""``coldpin size``: will this plant hold this crop through the hottest day, and what to change."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from controller.cli import people
from controller.core.law import Band as SwitchingPoints
from controller.errors import PhysicsError, ScenarioError
from controller.settings.law_of import law_of
from controller.settings.load import Settings, read_settings
from controller.settings.plant_sources import assumed_figures
from controller.thermal.changes import best_changes
from controller.thermal.cycle import Cycle, Hour, expected_cycle
from controller.thermal.load import HeatLoad
from controller.thermal.sizing import Band, Change, Sizing
from controller.thermal.sizing import size as size_plant

BAR_WIDTH = 28
SOURCES = ("envelope", "air_exchange", "lights", "fans", "crop", "humidifier", "pump")


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def size(config: Path, as_json: bool) -> None:
    """Size the plant of CONFIG for its stage on the hottest day of its room.

    Shows the heat load, what the coil can take, how long packs last, the cycle to expect, a
    verdict with what limits it, and the changes that help most.
    """
    settings = read_settings(config)
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
        cycles = expected_cycles(settings, sizing.life.reservoir_mean_c)
    except PhysicsError as error:
        raise ScenarioError(f"the plant cannot be sized: {error}") from error
    if as_json:
        people.print_json(_document(settings, sizing, changes, cycles))
    else:
        _print_for_people(settings, sizing, changes, cycles)


def expected_cycles(settings: Settings, reservoir_c: float) -> tuple[Cycle, ...]:
    """Return the cycles of the stage in force at mild, normal and hottest hours.

    The last one has the coldest water and the mildest room: there the minimum run binds and the
    air swings furthest below cut-out.

    Args:
        settings: Stage, timers and plant.
        reservoir_c: Usual temperature of the reservoir [°C].
    """
    spec, stage = settings.plant_spec(), settings.stages[settings.chamber.stage]
    room = spec.room
    warm_c = min(reservoir_c, (stage.cut_in - settings.limits.reservoir_margin) / 1000)
    fresh_c = max(0.0, spec.packs.filling.plateau_c) + 1.0
    hours = (
        ("mild", room.night_c, warm_c),
        ("normal", (room.night_c + room.day_c) / 2, warm_c),
        ("hottest", room.day_c, warm_c),
        ("fresh packs at night", room.night_c, fresh_c),
    )
    return tuple(
        expected_cycle(
            spec,
            SwitchingPoints(stage.cut_in, stage.cut_out),
            law_of(settings),
            Hour(when=when, room_c=room_c, room_rh=room.rh, reservoir_c=water_c),
            tick_s=settings.timing.tick,
            lag_s=settings.simulation.air_probe_lag,
        )
        for when, room_c, water_c in hours
    )


def _print_for_people(
    settings: Settings, sizing: Sizing, changes: tuple[Change, ...], cycles: tuple[Cycle, ...]
) -> None:
    console = people.console()
    unit = settings.display.unit

    def shown(celsius: float | None) -> str:
        return people.temperature(None if celsius is None else celsius * 1000, unit)

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
    table = people.table("hour", "on", "off", "starts", "true air", title="\nThe cycle to expect")
    for cycle in cycles:
        table.add_row(
            cycle.when,
            people.duration(cycle.on_s),
            people.duration(cycle.off_s),
            f"{cycle.starts_per_h:.1f}/h",
            f"{shown(cycle.air_min_c)} to {shown(cycle.air_max_c)}",
        )
    console.print(table)
    console.print(f"\n[b]{_verdict_sentence(sizing)}[/b]")
    _print_changes(console, changes)
    _print_assumed(console, settings)


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
