"""What must outlive the process so that a restart never shortens a rest, a lockout or a pause.

One small file, replaced whole and forced to the medium. Instants are kept on the boot-time clock,
which is comparable between processes of one boot and meaningless after it; the boot id tells which.
Wall-clock time is not kept, because a Pi without a battery clock wakes up with a wrong one.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from controller.core.decide import begin
from controller.core.state import Cooling, State
from controller.domain.alarms import Alarm
from controller.domain.control_phase import Phase
from controller.domain.json_text import json_text, read_json
from controller.domain.requests import LONGEST_PAUSE_S
from controller.log import Logger
from controller.records.durable import replace_file

VERSION = 1
START_PROVED_S = 30.0
"""A pump that has run for this long has not taken the supply with it [s]."""
MOST_CUT_STARTS = 3
"""So many boots in a row at a start of the pump are no chance: its start pulls the supply down."""
_log = Logger("coldpin.kept")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptTimers:
    """Where the cooling stood, on the boot-time clock [s]."""

    version: int
    boot_id: str
    at_s: float
    """When this was written."""
    pump: bool
    pump_since_s: float
    failed_tries: int
    locked_since_s: float | None
    paused_until_s: float | None
    starting: bool = False
    """The pump has run for less than `START_PROVED_S`, or starts as soon as this is written: it
    lies on the medium before a start can pull the supply down."""
    cut_starts: int = 0
    """Boots in a row that came while this was so."""


def kept_from(
    cooling: Cooling, *, boot: str, ahead_s: float, now: float, cut_starts: int = 0
) -> KeptTimers:
    """Return what to keep of the cooling.

    Args:
        cooling: Where it stands.
        cut_starts: Boots in a row that came at a start of the pump, before this one.
        boot: Boot id.
        ahead_s: Boot-time clock minus the clock of the control law [s].
        now: Instant on the clock of the control law [s].
    """
    locked = cooling.phase is Phase.LOCKOUT
    paused = cooling.paused_until
    return KeptTimers(
        version=VERSION,
        boot_id=boot,
        at_s=now + ahead_s,
        pump=cooling.pump,
        pump_since_s=cooling.pump_since + ahead_s,
        failed_tries=cooling.failed_tries,
        locked_since_s=cooling.phase_since + ahead_s if locked else None,
        paused_until_s=None if paused is None else paused + ahead_s,
        starting=is_starting(cooling, now),
        cut_starts=cut_starts,
    )


def is_starting(cooling: Cooling, now: float) -> bool:
    """Return whether the pump has started and the supply has not outlived that start yet.

    A rest before a start is none: whoever reboots the machine meanwhile does not cut a start.
    """
    return cooling.pump and now - cooling.pump_since < START_PROVED_S


def cut_starts_after(kept: KeptTimers | None, *, boot: str | None) -> int:
    """Return how many boots in a row, this one included, came at a start of the pump."""
    if kept is None:
        return 0
    if kept.boot_id == boot or boot is None:
        return kept.cut_starts  # the service was restarted, the power was not
    return kept.cut_starts + 1 if kept.starting else 0


def begin_from(
    kept: KeptTimers | None,
    *,
    boot: str | None,
    ahead_s: float,
    now: float,
    alarms: tuple[Alarm, ...] = (),
) -> State:
    """Return the state of a controller that starts with what was kept.

    The last stop counts only if it was written in this boot and the pump was off by then: a process
    that died with the pump on left nobody to write down when it stopped. A lockout goes on in every
    case; after a reboot its whole time starts again. So does what was left of a pause. Where one
    boot after another came at a start of the pump, it begins locked out. Alarms stand on.
    """
    if kept is None:
        return begin(now, alarms=alarms)
    same_boot = boot is not None and kept.boot_id == boot and kept.at_s <= now + ahead_s
    if same_boot:
        locked = kept.locked_since_s
        paused = kept.paused_until_s
        return begin(
            now,
            last_stop=None if kept.pump else min(kept.pump_since_s - ahead_s, now),
            failed_tries=kept.failed_tries,
            locked_since=None if locked is None else min(locked - ahead_s, now),
            paused_until=None if paused is None else min(paused - ahead_s, now + LONGEST_PAUSE_S),
            alarms=alarms,
        )
    left_s = 0.0 if kept.paused_until_s is None else kept.paused_until_s - kept.at_s
    collapses = cut_starts_after(kept, boot=boot) >= MOST_CUT_STARTS
    return begin(
        now,
        failed_tries=kept.failed_tries,
        locked_since=now if collapses or kept.locked_since_s is not None else None,
        paused_until=now + min(left_s, LONGEST_PAUSE_S) if left_s > 0 else None,
        alarms=alarms,
    )


@dataclass(frozen=True, slots=True)
class TimersFile:
    """What one file of timers holds."""

    timers: KeptTimers | None = None
    """None: there is no file, or it is damaged."""
    of_a_newer_release: bool = False
    """Such a file is left alone, and what is not understood counts as the worst it could mean."""


def read_kept(path: Path) -> TimersFile:
    """Return what the file holds; the log says so where it cannot be believed."""
    try:
        document = dict(read_json(path.read_text(encoding="utf-8")))
        version = document.get("version")
        if isinstance(version, int) and version > VERSION:
            _log.error(
                "kept_timers_of_a_newer_release",
                file=str(path),
                found=version,
                known=VERSION,
                effect="the file is left alone; the pump rests its whole time, and stays locked "
                "out where the file may mean a lockout",
            )
            return TimersFile(_worst_reading(document), of_a_newer_release=True)
        timers = KeptTimers(**document)
        _check(timers)
    except FileNotFoundError:
        return TimersFile()
    except (OSError, ValueError, TypeError) as error:
        _log.warning("kept_timers_unreadable", file=str(path), error=str(error))
        return TimersFile()
    return TimersFile(timers)


def _worst_reading(document: dict[str, object]) -> KeptTimers:
    """Return what a file of a newer release means at worst: a missing key may stand for anything.

    The pump counts as running until now. A lockout counts unless the file denies it by the key
    that this release knows.
    """

    def instant(key: str) -> float | None:
        value = document.get(key)
        return float(value) if _is_finite(value) else None  # type: ignore[arg-type]

    at_s = instant("at_s") or 0.0
    denied = "locked_since_s" in document and document["locked_since_s"] is None
    locked_since_s = None if denied else instant("locked_since_s")
    boot, tries = document.get("boot_id"), document.get("failed_tries")
    return KeptTimers(
        version=VERSION,
        boot_id=boot if isinstance(boot, str) else "",
        at_s=at_s,
        pump=True,
        pump_since_s=at_s,
        failed_tries=tries if isinstance(tries, int) and tries > 0 else 0,
        locked_since_s=at_s if locked_since_s is None and not denied else locked_since_s,
        paused_until_s=instant("paused_until_s"),
    )


def newest_of(durable: KeptTimers | None, mirror: KeptTimers | None) -> KeptTimers | None:
    """Return the later of the file on the medium and its copy in memory.

    The copy lives as long as the boot does. It is newer where the medium was full, read-only or
    slow; where it was never written, the medium speaks alone.
    """
    if durable is None or mirror is None:
        return durable or mirror
    if mirror.boot_id == durable.boot_id and mirror.at_s < durable.at_s:
        return durable
    return mirror


def doubted(kept: KeptTimers | None) -> KeptTimers | None:
    """Return what a record proves that may be older than the last switch: no rest at all.

    A lockout and a pause that it names still count; the pump counts as running until now.
    """
    return None if kept is None else replace(kept, pump=True)


def _check(kept: KeptTimers) -> None:
    if kept.version != VERSION:
        raise ValueError(f"found version {kept.version}, this release reads {VERSION}")
    whole = isinstance(kept.failed_tries, int) and kept.failed_tries >= 0
    if not (whole and isinstance(kept.pump, bool) and isinstance(kept.boot_id, str)):
        raise TypeError("fields of the wrong type")
    if not (isinstance(kept.starting, bool) and isinstance(kept.cut_starts, int)):
        raise TypeError("fields of the wrong type")
    for value in (kept.at_s, kept.pump_since_s, kept.locked_since_s, kept.paused_until_s):
        if value is not None and not _is_finite(value):
            raise TypeError(f"found the instant {value!r}, allowed: a finite number of seconds")


def _is_finite(value: object) -> bool:
    """Return whether a value is a number of seconds; whole ones have no largest in JSON."""
    try:
        return isinstance(value, float | int) and math.isfinite(value)
    except OverflowError:
        return False


def write_kept(path: Path, kept: KeptTimers) -> None:
    """Replace the file and force it to the medium.

    Raises:
        OSError: The medium is full, read-only or gone; the old file is untouched.
    """
    replace_file(path, json_text(asdict(kept)))


def write_mirror(path: Path, kept: KeptTimers) -> None:
    """Replace the copy in memory, which need not outlive a power cut.

    Raises:
        OSError: It cannot be written.
    """
    fresh = path.with_name(f"{path.name}.new")
    fresh.write_text(json_text(asdict(kept)), encoding="utf-8")
    fresh.replace(path)
