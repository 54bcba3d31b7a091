"""Local times where the system's zone is changed, or cannot be used."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from controller.service.clock import SystemClock
from controller.system_zone import follow_system_zone
from tests.support.time_zones import zone_of_the_process

NOW = datetime(2026, 7, 14, 12, tzinfo=UTC)


def test_a_change_is_taken_as_it_is_now() -> None:
    """The C library looks at the zone once, unless it is asked to look again."""
    with zone_of_the_process("UTC") as change:
        change("Asia/Kathmandu")
        assert follow_system_zone()
        assert NOW.astimezone().utcoffset() == timedelta(hours=5, minutes=45)


@pytest.mark.parametrize("odd", ["<+99>-99", "UTC+24:59:59"])
def test_a_zone_that_no_time_can_have_is_utc_until_it_is_mended(odd: str) -> None:
    """POSIX allows a day and more (XBD 8.3), `datetime` less than one; the loop must go on."""
    with zone_of_the_process("UTC") as change:
        change(odd)
        assert not follow_system_zone()
        assert NOW.astimezone().utcoffset() == timedelta()
        assert SystemClock().local().utcoffset() == timedelta()
        change("Asia/Kathmandu")
        assert follow_system_zone()
        assert SystemClock().local().utcoffset() == timedelta(hours=5, minutes=45)


def test_the_clock_of_the_loop_never_raises() -> None:
    """Another thread may be looking at the zone this very moment."""
    with zone_of_the_process("<+99>-99"):
        assert SystemClock().local().tzinfo is UTC
