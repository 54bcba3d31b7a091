"""The cycle to expect and the switching points to try; shown by `check` and by `size`."""

from __future__ import annotations

from typing import Any

from rich.console import Console

from controller.cli import people
from controller.pictures import words
from controller.planning.build import Build
from controller.planning.cycle import Proposal
from controller.planning.design_hour import warmest_hour
from controller.planning.early_start import early_start_sentence
from controller.rehearsal.hot_day_figures import HotDays, HourCycle
from controller.thermal.specs import PlantSpec


def shown_hours(days: HotDays, plant: PlantSpec) -> tuple[tuple[str, HourCycle], ...]:
    """Return the mildest, a middle and the hottest hour of rehearsed days, each with its name."""
    by_hour = {cycle.hour: cycle for cycle in days.cycles}
    hottest = warmest_hour(plant)
    named = (("mild", hottest - 12), ("normal", hottest - 6), ("hottest", hottest))
    return tuple((name, by_hour[hour % 24]) for name, hour in named if hour % 24 in by_hour)


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
    if not proposal.keeps:
        console.print("No switching points keep the air of this chamber in the species' band.")
        return
    console.print(
        f"to try: cut_in {shown(proposal.cut_in_c)}, cut_out {shown(proposal.cut_out_c)}, "
        f"minimum_run {words.duration(proposal.minimum_run_s)}, anti_short_cycle "
        f"{words.duration(proposal.anti_short_cycle_s)}: keeps the air, not only the "
        f"probe, inside the species' band, at {proposal.starts_per_h:.1f} starts an hour"
    )


def print_early_start(console: Console, build: Build, days: HotDays) -> None:
    """Print what to do about an early start, where there is something to do."""
    sentence = early_start_sentence(build, days)
    if sentence:
        console.print(sentence, markup=False)


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
