"""Local times on both sides of a daylight-saving change.

Source of the instants: summer time in the European Union ends at 01:00 UTC on the last Sunday of
October (directive 2000/84/EC, article 3); Lisbon is on UTC in winter.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from controller.domain.zones import local_time
from tests.support.time_zones import zone_of_the_process

EVENING, CHANGE = (
    datetime(2026, 10, 24, 21, 0, tzinfo=UTC),
    datetime(2026, 10, 25, 1, 0, tzinfo=UTC),
)


@pytest.mark.parametrize("minutes", range(-150, 151, 30))
def test_the_machines_zone_is_the_one_of_that_name(minutes: int) -> None:
    """Offset, and which of two equal hours it is; there and back."""
    at = CHANGE + timedelta(minutes=minutes)
    with zone_of_the_process("Europe/Lisbon"):
        machine, named = local_time(at, None), at.astimezone(ZoneInfo("Europe/Lisbon"))

        assert (machine.replace(tzinfo=None), machine.fold) == (
            named.replace(tzinfo=None),
            named.fold,
        )
        assert (machine.utcoffset(), machine.tzname()) == (named.utcoffset(), named.tzname())
        assert machine.astimezone(UTC) == at
        assert machine.isoformat() == named.isoformat()


def test_another_instant_gets_its_own_offset() -> None:
    """Eight in the morning after the clocks went back, asked the evening before."""
    with zone_of_the_process("Europe/Lisbon"):
        zone = local_time(EVENING, None).tzinfo

        assert f"{datetime(2026, 10, 25, 8, 0, tzinfo=UTC).astimezone(zone):%H:%M}" == "08:00"


def test_a_named_zone_is_that_zone() -> None:
    """The machine's does not matter then."""
    zone = ZoneInfo("America/Chicago")

    with zone_of_the_process("Europe/Lisbon"):
        assert local_time(EVENING, zone).tzinfo is zone
