"""An instant is worded by one function, and names one instant alone."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

import controller
from controller.pictures import words
from controller.pictures.words import dated, moment, weekday_and_hour

NOW = datetime(2026, 7, 1, 22, 0, tzinfo=timezone(timedelta(hours=2)))
"""A Wednesday."""


@pytest.mark.parametrize(
    ("hours", "says"),
    [
        (0.0, "22:00"),
        (1.5, "23:30"),
        (-22.0, "00:00"),
        (2.5, "Thu 00:30"),
        (24.0 * 6, "Tue 22:00"),
        (24.0 * -6, "Thu 22:00"),
        (24.0 * 6 + 2.0, "2026-07-08 00:00"),  # Wednesday again
        (24.0 * -7, "2026-06-24 22:00"),
    ],
)
def test_today_a_weekday_or_a_date(hours: float, says: str) -> None:
    """In the zone of now; never a weekday that could be of another week."""
    at = NOW.astimezone(UTC) + timedelta(hours=hours)

    assert moment(at, NOW, far=False) == says


@pytest.mark.parametrize(
    ("seconds", "says"),
    [
        (29.0, "22:00 (now)"),
        (60.0, "22:01 (in 60 s)"),
        (7200.0, "Thu 00:00 (in 2 h)"),
        (-7200.0, "20:00 (2 h ago)"),
        (-86_400.0 * 9, "2026-06-22 22:00 (9 d ago)"),
    ],
)
def test_how_far_it_is_to_the_minute(seconds: float, says: str) -> None:
    """Before and after now."""
    assert moment(NOW + timedelta(seconds=seconds), NOW) == says


def test_forms_that_stand_by_themselves() -> None:
    """A record's date, and a day among a few that are shown together."""
    assert dated(NOW) == "2026-07-01 22:00"
    assert weekday_and_hour(NOW) == "Wed 22:00"


WORDED = re.compile(r"%[aA].?%H:%M|%-?[dm] ?%H:%M|%H:%M\}? (on|today|tomorrow)")


def test_no_other_place_words_an_instant() -> None:
    """A form of its own would call one night by two names on one screen."""
    own = Path(words.__file__)
    root = Path(controller.__file__).parent
    others = [
        f"{path.relative_to(root)}:{number}"
        for path in root.rglob("*.py")
        if path != own
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if WORDED.search(line)
    ]

    assert not others
    assert WORDED.search(own.read_text(encoding="utf-8"))
