"""``coldpin size``: will this equipment hold this crop through hot days, and what to change."""

from __future__ import annotations

import math
from datetime import timedelta
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from controller.cli import people
from controller.cli.expectation import (
    cycle_document,
    print_cycles,
    print_early_start,
    shown_hours,
)
from controller.cli.extras import need
from controller.cli.files import OutputFile, not_written
from controller.cli.instances import CONFIG
from controller.domain.measures import WEIGHTS_KG
from controller.errors import PhysicsError, ScenarioError
from controller.pictures import words
from controller.planning.changes import Change, best_changes
from controller.planning.cycle import Proposal
from controller.planning.early_start import early_start
from controller.planning.proposal import proposal_of
from controller.planning.verdict import Judgement, Verdict, judge
from controller.planning.verdict_words import (
    HEAT_SOURCES,
    change_sentence,
    changes_heading,
    no_change_sentence,
    supply_sentence,
    too_little_known,
    verdict_sentence,
)
from controller.planning.weather_spell import (
    PlacedPlant,
    WeatherSpell,
    placed_plant,
    weather_spell,
)
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import Settings, read_settings
from controller.settings.plant_sources import Assumed, assumed_figures
from controller.settings.weather_file import read_weather_year
from controller.thermal.freezing import sets_in_rotation
from controller.thermal.heat_load import HeatLoad

BAR_WIDTH = 28


@click.command()
@CONFIG
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--details", is_flag=True, help="Also show heat by source, coil, cycle and assumed figures."
)
@click.option(
    "--html",
    "html_file",
    type=OutputFile(),
    help="Write a page with a picture of the hot days behind the verdict.",
)
@click.option(
    "--weather",
    "weather_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="A published weather year, EPW or TMY3 CSV: its ten hottest days decide, through your "
    "house, in the place of [plant.room].",
)
def size(
    config: Path, as_json: bool, details: bool, html_file: Path | None, weather_file: Path | None
) -> None:
    """Say whether the equipment of CONFIG holds its crop on a hot day.

    The verdict comes first, then what limits it and what to change first. All of it comes from
    rehearsed hot days, with the same control as `coldpin rehearse`.
    """
    if html_file is not None:
        need("lookout", what="--html")
    settings = read_settings(config, needs_fit=True)
    spell = None
    if weather_file is not None:
        spell = weather_spell(settings, read_weather_year(weather_file))
    rows: list[TraceRow] = []
    try:
        if spell is None:
            placed = placed_plant(settings, config.parent)
        else:
            placed = PlacedPlant(plant=spell.plant(settings.plant_spec()), room=spell.room)
        judgement = judge(
            settings,
            plant=placed.plant,
            room=placed.room,
            trace=None if html_file is None else rows.append,
        )
        changes = best_changes(judgement)
    except PhysicsError as error:
        raise ScenarioError(f"the equipment cannot be sized: {error}") from error
    assumed = tuple(assumed_figures(settings))
    if html_file is not None:
        # what draws it comes with an extra, which a plain install does without
        from controller.cli.size_page import size_page  # noqa: PLC0415

        page = size_page(settings, judgement, changes, rows)
        try:
            html_file.write_text(page, encoding="utf-8")
        except OSError as error:
            raise not_written(html_file, error, option="--html") from None
    if as_json:
        people.print_json(size_document(judgement, changes, assumed, _proposal(judgement), spell))
        return
    console = people.console()
    _print_answer(console, settings, judgement, changes, assumed, spell)
    if details:
        _print_details(console, settings, judgement, assumed)
    else:
        console.print("\nHeat by source, coil, cycle and assumed figures: --details", style="dim")
    if judgement.days is not None:
        dates = "" if spell is None else f" --weather {weather_file} {_dates(spell)}"
        console.print(
            f"The same days, hour by hour: coldpin rehearse {config} --scenario hot-days{dates}",
            style="dim",
        )


def _dates(spell: WeatherSpell) -> str:
    """Return the options by which a rehearsal has these days, with the one before them."""
    return f"--from {spell.first - timedelta(days=1):%m-%d} --to {spell.last:%m-%d}"


def _proposal(judgement: Judgement) -> Proposal | None:
    days = judgement.days
    if days is None:
        return None
    build = judgement.build
    return proposal_of(build.settings, days.reservoir_mean_c, plant=build.plant)


def _print_answer(
    console: Console,
    settings: Settings,
    judgement: Judgement,
    changes: tuple[Change, ...],
    assumed: tuple[Assumed, ...],
    spell: WeatherSpell | None,
) -> None:
    vague = too_little_known({figure.key for figure in assumed})
    if vague:
        console.print(
            "Too little is known of your equipment; what follows is about an example chamber. Fill "
            "in [plant.chamber], [plant.packs] and [plant.room] first.\n"
        )
    console.print(verdict_sentence(judgement, by_figures=not vague), style="bold")
    console.print(supply_sentence(judgement))
    unit, design = settings.display.unit, judgement.design.conditions
    console.print(
        f"{settings.chamber.name}, {settings.chamber.stage}: air around "
        f"{words.temperature(design.air_c * 1000, unit)} in a room of "
        f"{words.temperature(design.room_c * 1000, unit)} at its warmest, ten hot days rehearsed"
    )
    if spell is None and judgement.build.room is not None:
        console.print(f"The room: the hottest days of {_room_file(settings)}")
    if spell is not None:
        low, high = (
            words.temperature(value_c * 1000, unit)
            for value_c in (spell.outdoors.lowest_c, spell.outdoors.highest_c)
        )
        console.print(
            f"The ten hottest days in {spell.place}: {spell.first:%d %b} to "
            f"{spell.last:%d %b}, {low} to {high} outdoors"
        )
    if not changes:
        if not judgement.holds and judgement.verdict is not Verdict.NEEDS_HEAT:
            console.print(f"\n{no_change_sentence(judgement)}")
        return
    console.print(f"\n{changes_heading(holds_already=judgement.holds)}", style="bold")
    for number, change in enumerate(changes, start=1):
        sentence = change_sentence(change, holds_already=judgement.holds)
        console.print(f"{number}. {sentence} ({change.effort})")


def _room_file(settings: Settings) -> Path:
    """Return the file that the settings name for the room."""
    named = settings.plant.room.csv or settings.simulation.weather
    assert named is not None
    return Path(named)


def _print_details(
    console: Console, settings: Settings, judgement: Judgement, assumed: tuple[Assumed, ...]
) -> None:
    unit = settings.display.unit

    def shown(celsius: float | None) -> str:
        return words.temperature(None if celsius is None else celsius * 1000, unit)

    design = judgement.design
    _print_load(console, design.steady.load, design.hour)
    table = people.table(
        "reservoir", "sensible", "latent", "water off", title="\nWhat the coil takes while it runs"
    )
    for reservoir_c, duty in design.coil:
        table.add_row(
            shown(reservoir_c),
            f"{duty.sensible_kw * 1000:.0f} W",
            f"{duty.latent_kw * 1000:.0f} W",
            _per_hour(duty.condensate_kg_s * 3600, unit),
        )
    console.print(table)
    console.print(f"warmest useful reservoir at that hour: {shown(design.useful_reservoir_max_c)}")
    supply = judgement.supply
    if not math.isinf(supply.refreeze_h):
        console.print(f"a pack takes {supply.refreeze_h:.1f} h to freeze")
    if judgement.days is not None:
        cycles = shown_hours(judgement.days, judgement.build.plant)
        print_cycles(console, cycles, _proposal(judgement), unit)
        print_early_start(console, judgement.build, judgement.days)
    _print_assumed(console, assumed)


def _per_hour(kg: float, unit: str) -> str:
    return f"{kg / WEIGHTS_KG['lb']:.2f} lb/h" if unit == "F" else f"{kg:.2f} kg/h"


def _print_load(console: Console, load: HeatLoad, hour: int) -> None:
    table = people.table("source", "W", "", title=f"\nHeat at the warmest hour, {hour}:00")
    watts = {name: float(getattr(load, f"{name}_w")) for name in HEAT_SOURCES}
    most_w = max(map(abs, watts.values())) or 1.0
    for name, value_w in watts.items():
        bar = "█" * round(abs(value_w) / most_w * BAR_WIDTH)
        table.add_row(HEAT_SOURCES[name], f"{value_w:.1f}", bar)
    console.print(table)
    console.print(
        f"to be taken from the air: {load.total_w:.1f} W, of it {load.latent_w:.1f} W as water"
    )


def _print_assumed(console: Console, assumed: tuple[Assumed, ...]) -> None:
    if not assumed:
        return
    console.print("\nAssumed, because the configuration does not say", style="bold")
    for figure in assumed:
        console.print(f"- {figure.key} = {figure.value}: {figure.about}", style="dim")


def size_document(
    judgement: Judgement,
    changes: tuple[Change, ...],
    assumed: tuple[Assumed, ...],
    proposal: Proposal | None,
    spell: WeatherSpell | None = None,
) -> dict[str, Any]:
    """Return what `size --json` prints."""
    days = judgement.days
    return {
        **_design_document(judgement),
        **_supply_document(judgement),
        "cycle": [] if days is None else cycle_document(shown_hours(days, judgement.build.plant)),
        "verdict": judgement.verdict.value,
        "binding": judgement.binding,
        "spare": _rounded(judgement.spare),
        "changes": [
            {
                "what": change.what,
                "before": change.before,
                "after": change.after,
                "unit": change.unit,
                "gain": round(change.gain, 4),
                "holds": change.holds,
                "effort": change.effort.value,
            }
            for change in changes
        ],
        "rehearsed": None
        if days is None
        else {
            "days": days.days,
            "in_band_share": round(days.in_band_share, 4),
            "degree_hours_above": round(days.degree_hours_above, 3),
            "packs_used": days.packs_used,
        },
        "assumed": [
            {"key": figure.key, "value": figure.value, "about": figure.about} for figure in assumed
        ],
        "proposal": _proposed(proposal),
        "early_start": None if days is None else early_start(judgement.build, days),
        "weather": _weather(spell),
    }


def _design_document(judgement: Judgement) -> dict[str, Any]:
    """Return the warmest hour: conditions, heat by source, coil."""
    design = judgement.design
    load, conditions = design.steady.load, design.conditions
    return {
        "design": {
            "room_c": conditions.room_c,
            "room_rh": conditions.room_rh,
            "air_c": conditions.air_c,
            "air_rh": conditions.air_rh,
            "hour": design.hour,
        },
        "load_w": {
            **{name: round(float(getattr(load, f"{name}_w")), 2) for name in HEAT_SOURCES},
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
            for reservoir_c, duty in design.coil
        ],
        "useful_reservoir_max_c": design.useful_reservoir_max_c,
    }


def _supply_document(judgement: Judgement) -> dict[str, Any]:
    """Return packs that the days take, and packs that the freezer gives back."""
    supply = judgement.supply
    never = math.isinf(supply.refreeze_h)
    return {
        "ice_kg_per_day": round(supply.ice_kg_per_day, 3),
        "packs_per_day": _rounded(supply.packs_per_day),
        "hours_per_set": {"worst": _rounded(supply.worst_h), "mean": _rounded(supply.mean_h)},
        "sets_in_rotation": None
        if never or supply.mean_h is None
        else math.ceil(sets_in_rotation(refreeze_h=supply.refreeze_h, hours_per_set=supply.mean_h)),
        "freezer": {
            "refreeze_h": None if never else round(supply.refreeze_h, 2),
            "needed_kg_per_day": round(supply.ice_kg_per_day, 3),
            "limit_kg_per_day": round(supply.limit_kg_per_day, 3),
        },
    }


def _weather(spell: WeatherSpell | None) -> dict[str, Any] | None:
    if spell is None:
        return None
    outdoors, room_c = spell.outdoors, spell.room.room_c
    return {
        "place": spell.place,
        "first": f"{spell.first:%m-%d}",
        "last": f"{spell.last:%m-%d}",
        "outdoor_c": {
            "min": outdoors.lowest_c,
            "mean": round(outdoors.mean_c, 3),
            "max": outdoors.highest_c,
        },
        "room_c": {"min": round(min(room_c), 3), "max": round(max(room_c), 3)},
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


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
