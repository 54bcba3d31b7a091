"""Notices on their way: kept in a file, so that what waits survives a restart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from controller.domain.codec import Codec, NewerFormatError, UnreadableError
from controller.domain.instants import FINITE
from controller.log import Logger
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.message import Notice
from controller.pictures.words import moment
from controller.records.durable import replace_file

MOST_WAITING = 200
GIVEN_UP_AFTER = timedelta(hours=24)
DATED_AFTER = timedelta(minutes=10)
"""A notice that arrives later than this says when it is from."""
MOST_JOINED = 20
"""So many late notices are written out in one, the newest; a phone cuts longer texts off."""
FORMAT = 2

_log = Logger("coldpin.notices")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockPair:
    """An instant by both clocks of a machine."""

    __pydantic_config__ = FINITE

    utc_s: float
    """By the wall clock [s since 1970]."""
    boot_id: str | None
    """The boot; None where the kernel does not say."""
    boottime_s: float
    """By the clock that nobody sets, in that boot [s]."""

    def age_s(self, now: ClockPair) -> float:
        """Return how long ago it was [s]; a clock that was set in between does not count."""
        if self.boot_id is not None and self.boot_id == now.boot_id:
            return max(0.0, now.boottime_s - self.boottime_s)
        return max(0.0, now.utc_s - self.utc_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """A notice on its way."""

    notice: Notice
    at: ClockPair
    """When it was decided."""
    left: tuple[int, ...]
    """Numbers of the services that have not accepted it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptNotices:
    """What is kept over a restart."""

    format: int = FORMAT
    history: NoticeHistory = field(default_factory=NoticeHistory)
    waiting: tuple[Waiting, ...] = ()
    seen: ClockPair | None = None
    """When the chamber was last watched; None: never."""


KEPT_CODEC = Codec(KeptNotices, newest=FORMAT)


class QueueFile:
    """The file of what is kept; one of a newer release is left alone."""

    def __init__(self, path: Path) -> None:
        """Use a file, which need not be there yet."""
        self._path = path
        self._writable = True

    def read(self) -> KeptNotices:
        """Return what is kept; nothing where the file is not there or cannot be understood.

        Then something may be sent twice, which is better than not at all.
        """
        try:
            kept = KEPT_CODEC.read(self._path.read_bytes())
        except FileNotFoundError:
            return KeptNotices()
        except NewerFormatError as error:
            self._writable = False
            _log.warning("notices_not_kept", error=str(error))
            return KeptNotices()
        except (OSError, UnreadableError) as error:
            _log.warning("notices_not_read", error=str(error))
            return KeptNotices()
        return replace(kept, format=FORMAT)

    def write(self, kept: KeptNotices) -> None:
        """Keep it; where that fails the log says so and nothing else waits for it."""
        if not self._writable:
            return
        try:
            replace_file(self._path, KEPT_CODEC.text(kept))
        except OSError as error:
            _log.warning("notices_not_kept", error=str(error))


def with_notice(waiting: Sequence[Waiting], new: Waiting) -> tuple[Waiting, ...]:
    """Return what waits with one notice more, the oldest left out where there are too many.

    A later notice of the same active alarm takes the place of the one before: whoever comes back
    into the network is not sent a night's reminders at once. Of those that must go, notices of a
    crop that is being hurt go last.
    """
    alarm = new.notice.alarm
    kept = [each for each in waiting if not alarm or each.notice.alarm != alarm]
    kept.append(new)
    while len(kept) > MOST_WAITING:
        kept.remove(next((each for each in kept if not each.notice.crop), kept[0]))
    return tuple(kept)


def without_service(
    waiting: Iterable[Waiting], number: int, delivered: Iterable[Waiting]
) -> tuple[Waiting, ...]:
    """Return what waits once a service has accepted some of it."""
    done = tuple(delivered)
    after = (
        replace(each, left=tuple(n for n in each.left if n != number)) if each in done else each
        for each in waiting
    )
    return tuple(each for each in after if each.left)


def of_services(waiting: Iterable[Waiting], numbers: Iterable[int]) -> tuple[Waiting, ...]:
    """Return what waits for the services that there are."""
    known = set(numbers)
    kept = (replace(each, left=tuple(n for n in each.left if n in known)) for each in waiting)
    return tuple(each for each in kept if each.left)


def is_given_up(waiting: Waiting, active: frozenset[str], now: ClockPair) -> bool:
    """Return whether a notice is too old to help; that of an active crop alarm never is.

    Args:
        waiting: The notice.
        active: Keys of the alarms that are active.
        now: Now.
    """
    notice = waiting.notice
    if notice.crop and notice.alarm in active:
        return False
    return waiting.at.age_s(now) > GIVEN_UP_AFTER.total_seconds()


def joined(late: Sequence[Waiting], now: ClockPair, local: datetime) -> Notice:
    """Return one notice for what could not be sent: what happened meanwhile, line by line.

    Args:
        late: What waits, the oldest first; at least one.
        now: Now.
        local: Now, in the zone to write in.
    """
    if len(late) == 1:
        return _dated(late[0], now, local)
    first, newest = late[0], late[-1]
    since = moment(_at(first, now, local), local, far=False)
    lines = [f"No notice could be sent since {since}. Meanwhile:"]
    if len(late) > MOST_JOINED:
        lines.append(f"{len(late) - MOST_JOINED} earlier notices are left out.")
    lines += [
        f"{moment(_at(each, now, local), local, far=False)} {each.notice.body}"
        for each in late[-MOST_JOINED:]
    ]
    return replace(
        newest.notice,
        body="\n".join(lines),
        urgent=any(each.notice.urgent for each in late),
    )


def is_late(waiting: Waiting, now: ClockPair) -> bool:
    """Return whether a notice has waited for so long that it must say when it is from."""
    return waiting.at.age_s(now) > DATED_AFTER.total_seconds()


def _at(waiting: Waiting, now: ClockPair, local: datetime) -> datetime:
    return local.astimezone(UTC) - timedelta(seconds=waiting.at.age_s(now))


def _dated(waiting: Waiting, now: ClockPair, local: datetime) -> Notice:
    if not is_late(waiting, now):
        return waiting.notice
    at = moment(_at(waiting, now, local), local, far=False)
    return replace(waiting.notice, body=f"{waiting.notice.body} (From {at}.)")
