"""The one text about alarms: every alarm is in it, and it reads as people need it."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from controller.domain.alarm_guide import Urgency, alarm_title, guide_of, urgency_of, worst_first
from controller.domain.alarm_sheet import alarms_as_markdown
from controller.domain.alarms import Alarm, AlarmName


@pytest.mark.parametrize("name", AlarmName)
def test_every_alarm_has_its_whole_guide(name: AlarmName) -> None:
    """ISA-18.2 asks for meaning, causes, consequence, response and time of each alarm."""
    guide = guide_of(name.value)

    for field in fields(guide):
        value = getattr(guide, field.name)
        assert value, field.name
        if field.name == "title":
            assert not value.endswith(".")
            assert name.value not in value
        elif isinstance(value, str):
            assert value.endswith("."), field.name
        elif isinstance(value, tuple):
            assert all(text.endswith((".", "?")) for text in value), field.name


def test_no_two_alarms_share_a_title() -> None:
    """A title alone tells the alarms apart."""
    titles = {guide_of(name.value).title for name in AlarmName}

    assert len(titles) == len(AlarmName)


def test_a_name_of_a_later_release_is_shown_and_not_refused() -> None:
    """Other chambers may run a newer release; their alarms still appear."""
    assert alarm_title("hose_burst", "loop_two") == "Hose burst (loop two)"
    assert guide_of("hose_burst").urgency is Urgency.SOON


def test_a_probe_is_called_by_its_place() -> None:
    """`coil_outlet` is a key, not a word for people."""
    assert alarm_title("probe_lost", "coil_outlet") == "Probe not answering (coil outlet probe)"


def test_the_worst_alarm_comes_first() -> None:
    """A lost air probe stops cooling; a lost room probe only blurs the forecast."""
    room, air = (Alarm(name="probe_lost", about=about) for about in ("room", "air"))
    starts, warm = Alarm(name="frequent_starts"), Alarm(name="air_high")

    assert urgency_of(room) is Urgency.MORNING
    assert worst_first([room, starts, air, warm]) == [air, warm, room, starts]


@pytest.mark.parametrize(
    "name",
    [
        AlarmName.FLOW_NOT_PROVED,
        AlarmName.LONG_RUN,
        AlarmName.RESERVOIR_EMPTY,
        AlarmName.COOLING_WHILE_OFF,
        AlarmName.PROBES_EXCHANGED,
        AlarmName.PUMP_NOISE,
    ],
)
def test_what_may_ruin_pump_or_crop_by_night_does_not_wait_for_the_morning(name: AlarmName) -> None:
    """A pump that runs dry is not told at breakfast."""
    assert urgency_of(Alarm(name=name.value)) is not Urgency.MORNING


def test_the_page_of_responses_is_what_the_program_prints() -> None:
    """Refresh it with `coldpin keys --alarms > hardware-notes/alarms.md`; every alarm is in it."""
    page = (Path(__file__).parents[2] / "hardware-notes" / "alarms.md").read_text(encoding="utf-8")

    assert page == alarms_as_markdown()
    assert all(f"\n`{name.value}` · " in page for name in AlarmName)


def test_what_needs_nobody_within_a_known_time_is_a_note() -> None:
    """By ISA-18.2 and IEC 62682; it comes last among what is shown."""
    notes = [name for name in AlarmName if guide_of(name.value).urgency is Urgency.NOTE]

    assert notes == [AlarmName.FREQUENT_STARTS]
