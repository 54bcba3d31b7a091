"""How many packs there are and how many make a set, without judging the whole file.

`coldpin swap` logs what was done; a key that is wrong elsewhere in the file must not forbid that.
"""

from __future__ import annotations

from pathlib import Path

from controller.errors import PhysicsError, SettingsError
from controller.settings.toml_file import read_toml
from controller.thermal.specs import PackSpec

_COUNTS = ("count", "in_reservoir")


def read_pack_counts(path: Path) -> PackSpec:
    """Return packs with the count and the set of the file; nothing else of them is read.

    Raises:
        SettingsError: The file cannot be read, is not TOML, or one of the two cannot be used.
    """
    plant = read_toml(path).get("plant")
    packs = plant.get("packs") if isinstance(plant, dict) else None
    counts = {key: packs[key] for key in _COUNTS if key in packs} if isinstance(packs, dict) else {}
    wrong = [
        f"plant.packs.{key}: found {value!r}, allowed: a whole number"
        for key, value in counts.items()
        if type(value) is not int
    ]
    if wrong:
        raise SettingsError(str(path), tuple(wrong))
    try:
        return PackSpec(**counts)
    except PhysicsError as error:
        raise SettingsError(str(path), (str(error),)) from None
