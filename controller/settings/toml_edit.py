"""Change a few keys in the text of a configuration and leave every other line as it is."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from controller.errors import SettingsError

Scalar = str | bool | int


def with_keys(text: str, table: str, keys: Mapping[str, Scalar]) -> str:
    """Return the text with keys of a table set; a table that is not there is added at the end.

    Args:
        text: A configuration.
        table: Its heading without brackets, such as ``probes.air``.
        keys: New values.

    Raises:
        SettingsError: The text is written in a way that this cannot change safely.
    """
    lines = text.splitlines()
    first, end = _section(lines, table)
    if first is None:
        lines += ["", f"[{table}]"]
        first, end = len(lines) - 1, len(lines)
    for key, value in keys.items():
        line = f"{key} = {_literal(value)}"
        at = next(
            (n for n in range(first + 1, end) if re.match(rf"\s*{re.escape(key)}\s*=", lines[n])),
            None,
        )
        if at is None:
            last = max(n for n in range(first, end) if lines[n].strip() or n == first)
            lines.insert(last + 1, line)
            end += 1
        else:
            lines[at] = line
    edited = "\n".join(lines) + "\n"
    _check(edited, table, keys)
    return edited


def without_table(text: str, table: str) -> str:
    """Return the text without a table.

    Raises:
        SettingsError: The text is written in a way that this cannot change safely.
    """
    lines = text.splitlines()
    first, end = _section(lines, table)
    if first is None:
        return text
    edited = "\n".join([*lines[:first], *lines[end:]]) + "\n"
    if _table(edited, table) is not None:
        raise _by_hand(table)
    return edited


def _section(lines: list[str], table: str) -> tuple[int | None, int]:
    """Return where a table's heading stands and where the table ends."""
    heading = re.compile(rf"\s*\[\s*{re.escape(table)}\s*\]\s*(#.*)?$")
    first = next((n for n, line in enumerate(lines) if heading.match(line)), None)
    if first is None:
        return None, len(lines)
    end = first + 1
    while end < len(lines) and not lines[end].lstrip().startswith("["):
        end += 1
    # comments right above the next heading belong to that
    while end < len(lines) and end - 1 > first and lines[end - 1].lstrip().startswith("#"):
        end -= 1
    return first, end


_ESCAPES = {
    **{chr(code): f"\\u{code:04X}" for code in (*range(0x20), 0x7F)},
    "\\": "\\\\",
    '"': '\\"',
}


def _literal(value: Scalar) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value)
    return toml_string(value)


def toml_string(text: str) -> str:
    """Return a text as TOML writes it, in double quotes on one line.

    Control characters cannot stand in it as they are (TOML 1.0.0, "String"), nor can halves of a
    character, which no file in UTF-8 holds; these become question marks.
    """
    whole = text.encode("utf-8", "replace").decode()
    return '"' + "".join(_ESCAPES.get(each, each) for each in whole) + '"'


def _check(text: str, table: str, keys: Mapping[str, Scalar]) -> None:
    entries = _table(text, table)
    if entries is None or any(entries.get(key) != value for key, value in keys.items()):
        raise _by_hand(table)


def _table(text: str, table: str) -> dict[str, Any] | None:
    try:
        entries: Any = tomllib.loads(text)
    except ValueError:
        raise _by_hand(table) from None
    for part in table.split("."):
        entries = entries.get(part) if isinstance(entries, dict) else None
    return entries if isinstance(entries, dict) else None


def _by_hand(table: str) -> SettingsError:
    return SettingsError(
        table, (f"cannot be changed safely in this file; write [{table}] by hand",)
    )
