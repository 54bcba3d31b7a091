"""The cycle to expect and the switching points to try; shown by `check` and by `size`."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from controller.cli import people
from controller.pictures import words
from controller.planning.cycle import Hour, Proposal, propose_points
from controller.planning.design_hour import warmest_hour
from controller.rehearsal.hot_days import HotDays, HourCycle
from controller.settings.law_of import law_of
from controller.settings.load import Settings
from controller.settings.species import band_of, species_of
from controller.thermal.specs import PlantSpec

STEADY_MK = 2000
"""No wider than this to either side of the grower's own middle: the fewest starts would else be had
by letting the air wander through the whole band. Common practice, no source."""


def shown_hours(days: HotDays, plant: PlantSpec) -> tuple[tuple[str, HourCycle], ...]:
    """Return the mildest, a middle and the hottest hour of rehearsed days, each with its name."""
    by_hour = {cycle.hour: cycle for cycle in days.cycles}
    hottest = warmest_hour(plant)
    named = (("mild", hottest - 12), ("normal", hottest - 6), ("hottest", hottest))
    return tuple((name, by_hour[hour % 24]) for name, hour in named if hour % 24 in by_hour)


def proposal_of(settings: Settings, reservoir_c: float) -> Proposal | None:
    """Return switching points that keep the air in the species' band, None without a species.

    Judged in the hottest hour, and in the mildest with fresh packs: there the minimum run binds,
    and the air swings furthest below cut-out.

    Args:
        settings: Species, stage, timers, plant.
        reservoir_c: Usual temperature of the reservoir [°C].
    """
    species = species_of(settings)
    band = None if species is None else band_of(species, settings.chamber.stage)
    if band is None:
        return None
    spec, stage = settings.plant_spec(), settings.stages[settings.chamber.stage]
    middle_mc = (stage.cut_in + stage.cut_out) / 2
    low_mc, high_mc = max(band.low, middle_mc - STEADY_MK), min(band.high, middle_mc + STEADY_MK)
    if high_mc - low_mc < STEADY_MK / 2:  # the stage lies outside the species' band
        low_mc, high_mc = band.low, band.high
    warm_c = min(reservoir_c, (stage.cut_in - settings.limits.reservoir_margin) / 1000)
    fresh_c = max(0.0, spec.packs.filling.plateau_c) + 1.0
    room = spec.room
    return propose_points(
        spec,
        law_of(settings),
        (
            Hour(when="hottest", room_c=room.day_c, room_rh=room.rh, reservoir_c=warm_c),
            Hour(when="fresh packs", room_c=room.night_c, room_rh=room.rh, reservoir_c=fresh_c),
        ),
        low_c=low_mc / 1000,
        high_c=high_mc / 1000,
        tick_s=settings.timing.tick,
        lag_s=settings.simulation.air_probe_lag,
    )


def print_cycles(
    console: Console,
    cycles: tuple[tuple[str, HourCycle], ...],
    proposal: Proposal | None,
    unit: str,
) -> None:
    """Print the cycles as a table, and the proposal below."""

    def shown(celsius: float) -> str:
        return words.temperature(celsius * 1000, unit)

    table = people.table(
        "hour", "on", "off", "starts", "air", title="\nThe cycle to expect on a hot day"
    )
    for name, cycle in cycles:
        table.add_row(
            f"{name}, {cycle.hour}:00",
            words.duration(cycle.on_s),
            words.duration(cycle.off_s),
            f"{cycle.starts_per_h:.1f}/h",
            f"{shown(cycle.air_min_c)} to {shown(cycle.air_max_c)}",
        )
    console.print(table)
    if proposal is None:
        return
    keeps = (
        "keeps the air, not only the probe, inside the species' band"
        if proposal.keeps
        else "comes nearest, but the air leaves the species' band"
    )
    console.print(
        f"to try: cut_in {shown(proposal.cut_in_c)}, cut_out {shown(proposal.cut_out_c)}, "
        f"minimum_run {words.duration(proposal.minimum_run_s)}, anti_short_cycle "
        f"{words.duration(proposal.anti_short_cycle_s)}: {keeps}, at "
        f"{proposal.starts_per_h:.1f} starts an hour"
    )


def cycle_document(cycles: tuple[tuple[str, HourCycle], ...]) -> list[dict[str, Any]]:
    """Return the cycles as they stand in a JSON document."""
    return [
        {
            "when": name,
            "on_s": cycle.on_s,
            "off_s": cycle.off_s,
            "starts_per_h": round(cycle.starts_per_h, 2),
            "air_min_c": round(cycle.air_min_c, 3),
            "air_max_c": round(cycle.air_max_c, 3),
        }
        for name, cycle in cycles
    ]
