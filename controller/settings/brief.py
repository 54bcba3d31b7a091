"""The few keys that a daily command needs, without the cost of judging the whole file.

`coldpin status` is asked often and must answer at once, also while the file is being changed and
cannot be used: the service goes on with the one that it read. What is missing or wrong here has its
default; `coldpin check` says what is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from controller.settings.toml_file import read_toml


@dataclass(frozen=True, slots=True)
class BriefSettings:
    """What is shown, and where the records are."""

    unit: Literal["C", "F"]
    """[display] unit."""
    records: str | None
    """[records] path."""


def read_brief_settings(path: Path) -> BriefSettings:
    """Return what the file says of these keys, or their defaults.

    Raises:
        SettingsError: The file cannot be read, or is not TOML.
    """
    document = read_toml(path)
    records = _key(document, "records", "path")
    return BriefSettings(
        unit="F" if _key(document, "display", "unit") == "F" else "C",
        records=records if isinstance(records, str) else None,
    )


def _key(document: dict[str, Any], table: str, key: str) -> object:
    found = document.get(table)
    return found.get(key) if isinstance(found, dict) else None
