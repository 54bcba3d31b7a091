"""Set single keys of a TOML text and leave every other byte as it is: comments, blanks, order."""

from __future__ import annotations

import contextlib
import copy
import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from controller.errors import SettingsError

Path = tuple[str, ...]
"""Where a key stands: its tables, then its name."""
Scalar = str | bool | int | float

_VALUE = r""""(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[^\s"'\[\]{},#]+"""
"""A value on one line: a text, a number, a date, true or false."""
_ESCAPES = {
    **{chr(code): f"\\u{code:04X}" for code in (*range(0x20), 0x7F)},
    "\\": "\\\\",
    '"': '\\"',
}


def with_values(text: str, changes: Mapping[Path, Scalar | None]) -> str:
    """Return the text with these keys set, every other byte as it was.

    A key that is not there is put below the last one of its table, a table that is not there at the
    end. The result is read again and must say what was wanted and nothing else.

    Args:
        text: A TOML document.
        changes: The new values; None takes the key out, with the line it stands in.

    Raises:
        SettingsError: The text is written in a way in which this cannot be done safely.
    """
    for path, value in changes.items():
        text = _changed(text, path, value)
    return text


def without_table(text: str, table: Path) -> str:
    """Return the text without a table and what stands in it, every other byte as it was.

    Raises:
        SettingsError: The text is written in a way in which this cannot be done safely.
    """
    before = tomllib.loads(text)
    if value_at(before, table) is None:
        return text
    wanted = _document_with(before, table, None)
    lines = text.splitlines(keepends=True)
    for first, after in _sections(lines, table):
        without = "".join([*lines[:first], *lines[_above_comments(lines, first, after) :]])
        if _reads_as(without, wanted):
            return without
    raise _by_hand(table)


def value_at(document: Mapping[str, Any], path: Path) -> Any:
    """Return what stands at a place of a document, None where nothing does."""
    value: Any = document
    for name in path:
        value = value.get(name) if isinstance(value, Mapping) else None
    return value


def _changed(text: str, path: Path, value: Scalar | None) -> str:
    before = tomllib.loads(text)
    if value_at(before, path) == value and type(value_at(before, path)) is type(value):
        return text
    wanted = _document_with(before, path, value)
    for attempt in _attempts(text, before, path, value):
        if _reads_as(attempt, wanted):
            return attempt
    raise _by_hand(path)


def _reads_as(text: str, wanted: dict[str, Any] | None) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except ValueError:
        return False


def _by_hand(path: Path) -> SettingsError:
    return SettingsError(
        ".".join(path), ("cannot be changed safely in this file; write it by hand",)
    )


def _attempts(
    text: str, before: Mapping[str, Any], path: Path, value: Scalar | None
) -> Iterator[str]:
    """Yield texts in which the key may be set as wanted, the one that keeps most first."""
    if value_at(before, path) is not None:
        yield from _replaced(text, path, value)
    elif value is not None:
        yield from _inserted(text, path, value)
    # an extra knows every way to write TOML; the control process and `new` do without it
    with contextlib.suppress(ImportError):
        from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

        with contextlib.suppress(TOMLKitError, ValueError, KeyError, TypeError):
            yield _set(text, path, value)


def _document_with(
    before: Mapping[str, Any], path: Path, value: Scalar | None
) -> dict[str, Any] | None:
    document: dict[str, Any] = copy.deepcopy(dict(before))
    table = document
    for name in path[:-1]:
        table = table.setdefault(name, {})
        if not isinstance(table, dict):
            return None
    if value is None:
        table.pop(path[-1], None)
    else:
        table[path[-1]] = value
    return document


def _set(text: str, path: Path, value: Scalar | None) -> str:
    """Replace a key, or take it out, where it stands: in a table, an inline one, or dotted."""
    import tomlkit  # noqa: PLC0415 - as above

    document = tomlkit.parse(text)
    table: Any = document
    for name in path[:-1]:
        if name not in table:
            table[name] = tomlkit.table()
        table = table[name]
    if value is None:
        table.remove(path[-1])
    else:
        table[path[-1]] = value
    return tomlkit.dumps(document)


def _replaced(text: str, path: Path, value: Scalar | None) -> Iterator[str]:
    """Set a key in the line where it stands, or take that line out."""
    lines = text.splitlines(keepends=True)
    one = re.compile(rf"(\s*{re.escape(path[-1])}\s*=\s*)(?:{_VALUE})(\s*(?:#.*)?\r?\n?)")
    for first, after in _sections(lines, path[:-1]):
        for at in range(first + 1, after):
            match = one.fullmatch(lines[at])
            if match is not None:
                line = "" if value is None else f"{match[1]}{_literal(value)}{match[2]}"
                yield "".join([*lines[:at], line, *lines[at + 1 :]])


def _inserted(text: str, path: Path, value: Scalar) -> Iterator[str]:
    """Put a line below the last one of its table, above the comments of what follows."""
    end = "\r\n" if "\r\n" in text else "\n"
    line = f"{path[-1]} = {_literal(value)}{end}"
    lines = text.splitlines(keepends=True)
    for first, after in _sections(lines, path[:-1]):
        yield "".join(_with_line(lines, first, after, line, end))
    closed = text if not text or text.endswith("\n") else text + end
    yield f"{closed}{end}[{'.'.join(path[:-1])}]{end}{line}"


def _sections(lines: list[str], table: Path) -> Iterator[tuple[int, int]]:
    """Yield where a table may begin, with its heading, and where it may end.

    A line of a long text may look like a heading: whoever takes one sees whether it proves right.
    """
    name = r"\s*\.\s*".join(map(re.escape, table))
    heading = re.compile(rf"\s*\[\s*{name}\s*\]\s*(#.*)?")
    ends = [n for n, each in enumerate(lines) if each.lstrip().startswith("[")] + [len(lines)]
    for first, each in enumerate(lines):
        if heading.fullmatch(each.rstrip("\r\n")):
            yield from ((first, after) for after in ends if after > first)
    if not table:  # keys of no table stand above every heading
        yield from ((-1, after) for after in ends)


def _above_comments(lines: list[str], first: int, after: int) -> int:
    """Return where a table really ends: comments right above the next heading belong to that."""
    while after < len(lines) and after - 1 > first and lines[after - 1].lstrip().startswith("#"):
        after -= 1
    return after


def _with_line(lines: list[str], heading: int, after: int, line: str, end: str) -> list[str]:
    while after > heading + 1 and not lines[after - 1].partition("#")[0].strip():
        after -= 1
    if after == 0:
        return [line, *lines]
    last = lines[after - 1]
    indent = last[: len(last) - len(last.lstrip(" \t"))]
    whole = last if last.endswith("\n") else last + end
    return [*lines[: after - 1], whole, indent + line, *lines[after:]]


def _literal(value: Scalar) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return toml_string(value) if isinstance(value, str) else repr(value)


def toml_string(text: str) -> str:
    """Return a text as TOML writes it, in double quotes on one line.

    Control characters cannot stand in it as they are (TOML 1.0.0, "String"), nor can halves of a
    character, which no file in UTF-8 holds; these become question marks.
    """
    whole = text.encode("utf-8", "replace").decode()
    return '"' + "".join(_ESCAPES.get(each, each) for each in whole) + '"'
