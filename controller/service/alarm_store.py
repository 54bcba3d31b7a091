"""The alarms that stand, in a small file, so that a restart neither ends nor repeats one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from controller.core.alarm_board import standing_alarms
from controller.core.state import AlarmState, State
from controller.domain.alarms import Alarm
from controller.domain.codec import Codec, NewerFormatError, UnreadableError
from controller.domain.places import KEPT_ALARMS
from controller.log import Logger
from controller.records.durable import replace_file
from controller.service.newest_writer import NewestWriter

_log = Logger("coldpin.kept")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptAlarms:
    """What the file holds."""

    alarms: tuple[Alarm, ...]
    format: int = 1


_CODEC = Codec(KeptAlarms)


class AlarmStore:
    """One chamber's standing alarms, from the start of a process to its end."""

    def __init__(self, place: Path) -> None:
        """Begin to keep.

        Args:
            place: The state directory.
        """
        self._file = place / KEPT_ALARMS
        self._board: tuple[AlarmState, ...] | None = None
        self._kept: tuple[Alarm, ...] | None = None
        self._leave_file_alone = False
        self._writer = NewestWriter[KeptAlarms](
            "kept-alarms", lambda kept: replace_file(self._file, _CODEC.text(kept))
        )

    def standing(self) -> tuple[Alarm, ...]:
        """Return the alarms that stood when the last process ended; none where that is not known.

        A file of a later release is left alone.
        """
        try:
            return _CODEC.read(self._file.read_bytes()).alarms
        except FileNotFoundError:
            return ()
        except NewerFormatError as error:
            self._leave_file_alone = True
            _log.warning("kept_alarms_of_a_newer_release", file=str(self._file), error=str(error))
        except (OSError, UnreadableError) as error:
            _log.warning("kept_alarms_unreadable", file=str(self._file), error=str(error))
        return ()

    def keep(self, state: State) -> None:
        """Hand over the alarms that stand, when they differ from the last time; never waits."""
        if state.alarms is self._board or self._leave_file_alone:
            return
        self._board = state.alarms
        alarms = standing_alarms(state)
        if alarms != self._kept:
            self._kept = alarms
            self._writer.give(KeptAlarms(alarms=alarms))

    def close(self) -> None:
        """Write what waits, for a limited time."""
        self._writer.close()
