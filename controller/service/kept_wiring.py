"""The wiring that the running service opens, kept so that ``coldpin off`` can always find it.

The configuration on disk may have been edited, or broken, since the service opened its outputs;
after a crash it is the opened lines that must go off, not the ones that the file names now.
It is kept on the medium and in memory: a medium that cannot be written must not hide a relay.
`coldpin off` loads this module while a load may be on, so it imports no log and no writer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.domain.json_text import json_text, read_json
from controller.records.durable import replace_file

KEPT_WIRING = "kept-wiring.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLoad:
    """What is needed to put one load off."""

    name: str
    driver: str
    options: dict[str, Any]


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
        document = read_json((place / KEPT_WIRING).read_text(encoding="utf-8"))
        return tuple(
            KeptLoad(
                name=str(load["name"]), driver=str(load["driver"]), options=dict(load["options"])
            )
            for load in document
        )
    except (OSError, ValueError, TypeError, KeyError):
        return ()
