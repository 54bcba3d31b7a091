"""A verdict as a page that stands alone: the hot days behind it, the heat, what changes bring."""

from __future__ import annotations

from collections.abc import Sequence

from controller.domain.measures import degree_hours_text
from controller.pictures.html import standalone_page
from controller.planning.changes import Change
from controller.planning.hot_days_chart import hot_days_chart
from controller.planning.verdict import Judgement
from controller.planning.verdict_words import supply_sentence, verdict_sentence
from controller.rehearsal.rehearse import TraceRow
from controller.settings.load import Settings

SOURCES = ("envelope", "air_exchange", "lights", "fans", "crop", "humidifier", "pump")


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
    return standalone_page(
        title=f"{settings.chamber.name}: what this equipment can hold",
        lead=verdict_sentence(judgement),
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
        tables=(
            (
                "What to change first",
                ("change", "effort", "from", "to", "brings"),
                [
                    (
                        change.what,
                        change.effort.value,
                        f"{change.before:.3g} {change.unit}",
                        f"{change.after:.3g} {change.unit}",
                        f"{change.gain:.0%}",
                    )
                    for change in changes
                ],
            ),
            (
                f"Heat at the warmest hour, {judgement.design.hour}:00",
                ("source", "W"),
                [(name.replace("_", " "), f"{getattr(load, f'{name}_w'):.1f}") for name in SOURCES],
            ),
        ),
    )
