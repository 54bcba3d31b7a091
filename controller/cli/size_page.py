"""A verdict as a page that stands alone: the hot days behind it, the heat, what changes bring."""

from __future__ import annotations

from collections.abc import Sequence

from controller.domain.measures import degree_hours_text
from controller.pictures.html import Bar, standalone_page
from controller.planning.changes import Change
from controller.planning.hot_days_chart import hot_days_chart
from controller.planning.verdict import Judgement, Verdict
from controller.planning.verdict_words import (
    HEAT_SOURCES,
    brings_words,
    changes_heading,
    no_change_sentence,
    supply_sentence,
    verdict_sentence,
)
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import Settings


def size_page(
    settings: Settings,
    judgement: Judgement,
    changes: tuple[Change, ...],
    rows: Sequence[TraceRow],
) -> str:
    """Return the page.

    Args:
        settings: What was judged.
        judgement: The verdict.
        changes: What to change first.
        rows: The days behind the verdict, every five minutes.
    """
    days = judgement.days
    load = judgement.design.steady.load
    watts = {key: float(getattr(load, f"{key}_w")) for key in HEAT_SOURCES}
    most_w = max(map(abs, watts.values())) or 1.0
    return standalone_page(
        title=f"{settings.chamber.name}: what this equipment can hold",
        lead=_lead(judgement, changes),
        facts=()
        if days is None
        else (
            ("packs", supply_sentence(judgement)),
            ("in band", f"{days.in_band_share:.1%} of the hot days"),
            (
                "above cut-in",
                (
                    f"{degree_hours_text(days.degree_hours_above, settings.display.unit)} "
                    f"in {days.days:g} days"
                ),
            ),
            ("pump running", f"{days.duty:.0%} of the time"),
        ),
        charts=[] if days is None else [hot_days_chart(settings, rows, "The hot days.")],
        bars=(
            (
                changes_heading(holds_already=judgement.holds),
                [
                    Bar(
                        f"{change.what} ({change.effort})",
                        brings_words(change, holds_already=judgement.holds),
                        change.gain / changes[0].gain if changes[0].gain > 0.0 else 1.0,
                    )
                    for change in changes
                ],
            ),
            (
                f"Heat at the warmest hour, {judgement.design.hour}:00",
                [
                    Bar(name, f"{watts[key]:.1f} W", abs(watts[key]) / most_w)
                    for key, name in HEAT_SOURCES.items()
                ],
            ),
        ),
    )


def _lead(judgement: Judgement, changes: tuple[Change, ...]) -> str:
    lead = verdict_sentence(judgement)
    if changes or judgement.holds or judgement.verdict is Verdict.NEEDS_HEAT:
        return lead
    return f"{lead} {no_change_sentence(judgement)}"
