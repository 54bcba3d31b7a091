"""The page's picture of the past: which part of it, drawn on the server, and its neighbours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from urllib.parse import urlencode

from markupsafe import Markup

from controller.history.figure_data import (
    CLOSEST,
    FARTHEST,
    Span,
    Window,
    history_of,
    window_of,
)
from controller.pictures.chamber_chart import chamber_chart
from controller.pictures.chart import draw
from controller.records.snapshot import Snapshot
from controller.settings.load import Settings

SPANS = {span.value: span for span in Span}
FRESH_FOR_S = 60.0
"""A picture up to now is drawn anew after this [s]; a Pi takes a moment for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What somebody wants to see of the past."""

    span: Span
    window: Window
    whole: bool
    """Whether it is the whole span up to now."""


def view_of(span: str, since: str, until: str, *, now: datetime, zone: tzinfo | None) -> View:
    """Return what a browser asks for.

    Args:
        span: Value of a `Span`; any other means a day.
        since: Where a closer part begins, ISO 8601, in the chamber's zone; or empty.
        until: Where it ends, the same.
        now: Now, aware.
        zone: The chamber's zone.

    Raises:
        ValueError: The two are no instants in order, or too far away.
    """
    known = SPANS.get(span, Span.DAY)
    window = window_of(known, since, until, now=now, zone=zone)
    return View(span=known, window=window, whole=not since)


class Pictures:
    """Draws the past of one chamber; a picture up to now is kept for a while."""

    def __init__(self, settings: Settings, records: Path, requests: Path) -> None:
        """Begin without a picture.

        Args:
            settings: The configuration.
            records: The records database.
            requests: The requests file.
        """
        self._settings = settings
        self._records, self._requests = records, requests
        self._kept: dict[Span, tuple[datetime, Markup]] = {}

    def drawn(self, snapshot: Snapshot, view: View) -> Markup:
        """Return a sentence and the picture, as HTML."""
        now = snapshot.at_utc
        if view.whole and view.span in self._kept:
            drawn_at, picture = self._kept[view.span]
            if 0 <= (now - drawn_at).total_seconds() < FRESH_FOR_S:
                return picture
        history, words = history_of(
            self._records,
            self._requests,
            snapshot=snapshot,
            window=view.window,
            unit=self._settings.display.unit,
            zone=self._settings.site.zone(),
        )
        svg = draw(chamber_chart(history, words))  # escapes its texts
        picture = Markup('<p class="extent">{}</p>').format(words) + Markup(svg)  # noqa: S704
        if view.whole:
            self._kept[view.span] = now, picture
        return picture


def neighbours(view: View) -> list[tuple[str, str]]:
    """Return where links to other parts of the past lead: words and query."""
    window = view.window
    length = window.until - window.since
    around = (
        ("Closer", window.since + length / 4, window.until - length / 4),
        ("Wider", window.since - length / 2, window.until + length / 2),
        ("Earlier", window.since - length / 2, window.until - length / 2),
        ("Later", window.since + length / 2, window.until + length / 2),
    )
    return [
        (
            words,
            urlencode(
                {
                    "span": view.span.value,
                    "since": f"{since.astimezone(UTC):%Y-%m-%dT%H:%MZ}",
                    "until": f"{until.astimezone(UTC):%Y-%m-%dT%H:%MZ}",
                }
            ),
        )
        for words, since, until in around
        if CLOSEST <= until - since <= FARTHEST
    ]
