"""Keeps the wiring that the running service opens: at once in memory, then on the medium."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from controller.log import Logger
from controller.service.boot_memory import boot_memory, leave_memory, remove_left_behind
from controller.service.kept_wiring import KEPT_WIRING, KeptLoad, write_kept_wiring
from controller.service.newest_writer import NewestWriter

_log = Logger("coldpin")


class WiringStore:
    """Keeps which loads may be on, without waiting for the medium."""

    def __init__(self, place: Path) -> None:
        """Begin to keep.

        Args:
            place: The state directory.
        """
        remove_left_behind()
        self._memory = boot_memory(place)
        self._same_place = self._memory == place
        self._writer = NewestWriter[tuple[KeptLoad, ...]](
            "kept-wiring", lambda loads: write_kept_wiring(place, loads)
        )

    def keep(self, loads: Iterable[KeptLoad]) -> None:
        """Keep these in the place of the last ones."""
        kept = tuple(loads)
        if not self._same_place:
            try:
                write_kept_wiring(self._memory, kept)
            except OSError as error:
                _log.error("kept_wiring_not_in_memory", error=str(error))
        self._writer.give(kept)

    def wait_written(self, within_s: float) -> bool:
        """Wait for the medium, for so long at most [s]; return whether it has the wiring."""
        return self._writer.wait_written(within_s)

    def close(self, *, all_off: bool) -> None:
        """End; shared memory then keeps nothing that the medium has.

        Args:
            all_off: Whether every load was put off; else the copy stays for `coldpin off`.
        """
        if self._writer.close() and all_off and not self._same_place:
            leave_memory(self._memory, KEPT_WIRING)
