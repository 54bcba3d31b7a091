"""The cycle to expect and the switching points to try; shown by `check` and by `size`."""

from __future__ import annotations

from rich.console import Console

from controller.cli import people
from controller.core.law import Band as SwitchingPoints
from controller.pictures import words
from controller.planning.cycle import Cycle, Hour, Proposal, expected_cycle, propose_points
from controller.settings.law_of import law_of
from controller.settings.load import Settings
from controller.settings.species import band_of, species_of

STEADY_MK = 2000
"""No wider than this to either side of the grower's own middle: the fewest starts would else be had
by letting the air wander through the whole band. Common practice, no source."""


def hours_of(settings: Settings, reservoir_c: float) -> tuple[Hour, ...]:
    """Return mild, normal and hottest hours, and the mildest one with fresh packs.

    In the last one the minimum run binds, and the air swings furthest below cut-out.

    Args:
        settings: Room, band and packs.
        reservoir_c: Usual temperature of the reservoir [°C].
    """
    spec, stage = settings.plant_spec(), settings.stages[settings.chamber.stage]
    room = spec.room
    warm_c = min(reservoir_c, (stage.cut_in - settings.limits.reservoir_margin) / 1000)
    fresh_c = max(0.0, spec.packs.filling.plateau_c) + 1.0
    return tuple(
        Hour(when=when, room_c=room_c, room_rh=room.rh, reservoir_c=water_c)
        for when, room_c, water_c in (
            ("mild", room.night_c, warm_c),
            ("normal", (room.night_c + room.day_c) / 2, warm_c),
            ("hottest", room.day_c, warm_c),
            ("fresh packs at night", room.night_c, fresh_c),
        )
    )


def cycles_of(settings: Settings, hours: tuple[Hour, ...]) -> tuple[Cycle, ...]:
    """Return the cycle of the stage in force in each hour."""
    stage = settings.stages[settings.chamber.stage]
    return tuple(
        expected_cycle(
            settings.plant_spec(),
            SwitchingPoints(stage.cut_in, stage.cut_out),
            law_of(settings),
            hour,
            tick_s=settings.timing.tick,
            lag_s=settings.simulation.air_probe_lag,
        )
        for hour in hours
    )


def proposal_of(settings: Settings, hours: tuple[Hour, ...]) -> Proposal | None:
    """Return switching points that keep the air in the species' band, None without a species."""
    species = species_of(settings)
    band = None if species is None else band_of(species, settings.chamber.stage)
    if band is None:
        return None
    stage = settings.stages[settings.chamber.stage]
    middle_mc = (stage.cut_in + stage.cut_out) / 2
    low_mc, high_mc = max(band.low, middle_mc - STEADY_MK), min(band.high, middle_mc + STEADY_MK)
    if high_mc - low_mc < STEADY_MK / 2:  # the stage lies outside the species' band
        low_mc, high_mc = band.low, band.high
    return propose_points(
        settings.plant_spec(),
        law_of(settings),
        (hours[2], hours[3]),
        low_c=low_mc / 1000,
        high_c=high_mc / 1000,
        tick_s=settings.timing.tick,
        lag_s=settings.simulation.air_probe_lag,
    )


def print_cycles(
    console: Console, cycles: tuple[Cycle, ...], proposal: Proposal | None, unit: str
) -> None:
    """Print the cycles as a table, and the proposal below."""

    def shown(celsius: float) -> str:
        return words.temperature(celsius * 1000, unit)

    table = people.table("hour", "on", "off", "starts", "true air", title="\nThe cycle to expect")
    for cycle in cycles:
        table.add_row(
            cycle.when,
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
