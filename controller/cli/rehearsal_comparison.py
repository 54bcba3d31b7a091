"""`coldpin rehearse --against plain`: three controls on the same days, and what differs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from controller.cli import people
from controller.domain.measures import degree_hours_text
from controller.pictures import words
from controller.rehearsal.comparison import Outcome

Figure = Callable[[Outcome, str], str]
"""A figure of an outcome as text, in the unit that people chose."""
ROWS: tuple[tuple[str, Figure], ...] = (
    ("in band", lambda it, _: f"{it.in_band_share:.1%}"),
    ("too warm", lambda it, unit: degree_hours_text(it.above_k_h, unit)),
    ("too cold", lambda it, unit: degree_hours_text(it.below_k_h, unit)),
    ("over 1 K (1.8 °F) too warm", lambda it, _: f"{it.over_1k_h:.1f} h"),
    ("warned in time", lambda it, _: f"{it.warned_in_time} of {it.warm_spells}"),
    ("packs put in", lambda it, _: str(it.packs_used)),
    ("pump starts", lambda it, _: str(it.starts)),
    ("shortest run", lambda it, _: words.duration(it.shortest_run_s)),
    ("shortest rest", lambda it, _: words.duration(it.shortest_rest_s)),
)
ALMOST_NONE_K_H = 1.0
"""Under this many degree-hours too warm nobody sees a difference in the crop. Own choice."""


def print_comparison(
    *, title: str, unit: str, plain: Outcome, alone: Outcome, notified: Outcome
) -> None:
    """Print the three side by side, the sentence first.

    Args:
        title: Chamber, stage and scenario.
        unit: The unit that people chose, C or F.
        plain: A plain on/off switch, the grower by habit and alarms.
        alone: The control with the same grower.
        notified: The control with forecast and notices.
    """
    console = people.console()
    console.print(title, style="bold")
    console.print(difference(unit=unit, plain=plain, alone=alone, notified=notified))
    table = people.table("", "plain switch", "coldpin alone", "with forecast", title="")
    for label, figure in ROWS:
        table.add_row(label, *(figure(each, unit) for each in (plain, alone, notified)))
    console.print(table)
    console.print(
        "Same equipment, weather and noise. Alone: the same grower, who comes by habit and alarms. "
        "With forecast: the grower goes by its plan and notices.",
        style="dim",
    )


def difference(*, unit: str, plain: Outcome, alone: Outcome, notified: Outcome) -> str:
    """Return what the figures mean, in a sentence or two."""
    if max(plain.above_k_h, alone.above_k_h, notified.above_k_h) < ALMOST_NONE_K_H:
        often, as_often = (words.counted(each.starts, "time") for each in (alone, plain))
        return (
            f"The air stays in band under all three; coldpin starts the pump {often}, the plain "
            f"switch {as_often}."
        )
    without, ours, best = (
        degree_hours_text(each.above_k_h, unit) for each in (plain, alone, notified)
    )
    if notified.above_k_h < 0.9 * plain.above_k_h:
        first = (
            f"With forecast and notices the air is {best} too warm instead of {without} under a "
            "plain switch"
        )
    else:
        first = (
            f"The forecast does not save these days: {best} too warm, {without} under a plain "
            "switch"
        )
    if abs(alone.above_k_h - plain.above_k_h) > 0.1 * plain.above_k_h:
        better = "less" if alone.above_k_h < plain.above_k_h else "more"
        second = f"the control alone: {ours}, {better} than the switch"
    else:
        second = "the control alone changes little; it is packs at the right time that do"
    return f"{first}; {second}."


def comparison_document(outcomes: Mapping[str, Outcome]) -> dict[str, Any]:
    """Return the outcomes as they stand in a JSON document, by name of the control."""
    return {name: asdict(outcome) for name, outcome in outcomes.items()}
