"""The few keys that a daily command needs, without the cost of judging the whole file.

`coldpin status` is asked often and must answer at once, also while the file is being changed and
cannot be used: the service goes on with the one that it read. What is missing or wrong here has its
default; `coldpin check` says what is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from controller.domain.units import MilliCelsius, parse_temperature
from controller.errors import SettingsError
from controller.settings.toml_file import read_toml

RESERVOIR_WARM, RESERVOIR_FREEZING = MilliCelsius(12_000), MilliCelsius(-250)
"""Defaults of [limits]. Plain ice cannot bring water below 0 °C, so the second speaks up only when
salt packs do."""


@dataclass(frozen=True, slots=True)
class BriefSettings:
    """What is shown, and where the records are."""

    unit: Literal["C", "F"]
    """[display] unit."""
    records: str | None
    """[records] path."""
    air_high_c: float | None = None
    """[limits] air_high [°C]; so are the others. None: not given, or not to be understood."""
    air_low_c: float | None = None
    """[limits] low_limit."""
    reservoir_warm_c: float | None = RESERVOIR_WARM / 1000
    reservoir_freezing_c: float | None = RESERVOIR_FREEZING / 1000
    zone: tzinfo | None = None
    """[site] time_zone; None: the machine's."""


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
        air_high_c=_celsius(_key(document, "limits", "air_high")),
        air_low_c=_celsius(_key(document, "limits", "low_limit")),
        reservoir_warm_c=_celsius(_key(document, "limits", "reservoir_warm"), RESERVOIR_WARM),
        reservoir_freezing_c=_celsius(
            _key(document, "limits", "reservoir_freezing"), RESERVOIR_FREEZING
        ),
        zone=_zone(_key(document, "site", "time_zone")),
    )


def zone_named_in(path: Path) -> tzinfo | None:
    """Return the chamber's zone; None: the machine's, also where the file cannot be read."""
    try:
        return read_brief_settings(path).zone
    except SettingsError:
        return None


def _zone(name: object) -> tzinfo | None:
    try:
        return ZoneInfo(name) if isinstance(name, str) else None
    except (ValueError, KeyError, OSError):  # no zone's name, or none that this machine knows
        return None


def _celsius(text: object, default: MilliCelsius | None = None) -> float | None:
    try:
        value = default if text is None else parse_temperature(text)
    except ValueError:
        return None
    return None if value is None else value / 1000


def _key(document: dict[str, Any], table: str, key: str) -> object:
    entries = document.get(table)
    return entries.get(key) if isinstance(entries, dict) else None
