"""The wiring that the running service opens, kept so that ``coldpin off`` can always find it.

The configuration on disk may have been edited, or broken, since the service opened its outputs;
after a crash it is the opened lines that must go off, not the ones that the file names now.
It is kept on the medium and in memory: a medium that cannot be written must not hide a relay.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from controller.domain.json_text import json_text
from controller.records.durable import replace_file
from controller.service.boot_memory import boot_memory
from controller.service.newest_writer import NewestWriter

KEPT_WIRING = "kept-wiring.json"

_log = structlog.get_logger("coldpin")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLoad:
    """What is needed to put one load off."""

    name: str
    driver: str
    options: dict[str, Any]


class WiringStore:
    """Keeps which loads may be on, without waiting for the medium."""

    def __init__(self, place: Path) -> None:
        """Begin to keep.

        Args:
            place: The state directory.
        """
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

    def close(self) -> None:
        """End."""
        self._writer.close()


def write_kept_wiring(place: Path, loads: Iterable[KeptLoad]) -> None:
    """Replace the file.

    Raises:
        OSError: The medium is full, read-only or gone.
    """
    document = [
        {"name": load.name, "driver": load.driver, "options": load.options} for load in loads
    ]
    replace_file(place / KEPT_WIRING, json_text(document))


def read_kept_wiring(place: Path) -> tuple[KeptLoad, ...]:
    """Return the loads that were opened last; none where nothing readable was kept."""
    try:
        document = json.loads((place / KEPT_WIRING).read_text(encoding="utf-8"))
        return tuple(
            KeptLoad(
                name=str(load["name"]), driver=str(load["driver"]), options=dict(load["options"])
            )
            for load in document
        )
    except (OSError, ValueError, TypeError, KeyError):
        return ()
