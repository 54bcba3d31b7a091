"""Local times that stay right across a daylight-saving change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo


class _MachineZone(tzinfo):
    """The machine's zone with its rules: `astimezone()` alone gives the offset of one instant."""

    def utcoffset(self, dt: datetime | None) -> timedelta | None:
        return None if dt is None else _by_the_machine(dt).utcoffset()

    def dst(self, _dt: datetime | None) -> timedelta | None:
        return None  # the machine says no more than the offset

    def tzname(self, dt: datetime | None) -> str | None:
        return None if dt is None else _by_the_machine(dt).tzname()

    def fromutc(self, dt: datetime) -> datetime:
        there = dt.replace(tzinfo=UTC).astimezone()
        local = there.replace(tzinfo=self)
        # an hour that comes twice: `astimezone` does not say which of the two it is
        return local if local.utcoffset() == there.utcoffset() else local.replace(fold=1)


def _by_the_machine(dt: datetime) -> datetime:
    return dt.replace(tzinfo=None).astimezone()


_MACHINE_ZONE = _MachineZone()


def local_time(at: datetime, zone: tzinfo | None) -> datetime:
    """Return an instant in a zone; its `tzinfo` gives any other instant its right hour there too.

    Two such datetimes differ, in Python, by what a clock on the wall shows and not by the time that
    has passed: for that, one of them must be in UTC.

    Args:
        at: The instant, aware.
        zone: The chamber's zone; None: the machine's.
    """
    return at.astimezone(_MACHINE_ZONE if zone is None else zone)
