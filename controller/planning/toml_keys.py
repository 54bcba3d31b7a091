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
Scalar = str | int | float


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
    if wanted is None:
        raise _by_hand(path)
    for attempt in _attempts(text, before, path, value):
        try:
            if tomllib.loads(attempt) == wanted:
                return attempt
        except ValueError:
            continue
    raise _by_hand(path)


def _by_hand(path: Path) -> SettingsError:
    return SettingsError(
        ".".join(path), ("cannot be changed safely in this file; write it by hand",)
    )


def _attempts(
    text: str, before: Mapping[str, Any], path: Path, value: Scalar | None
) -> Iterator[str]:
    """Yield texts in which the key may be set as wanted, the one that keeps most first."""
    if value is not None and value_at(before, path) is None:
        yield from _inserted(text, path, value)
    from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415 - an extra; help and `new` do without

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
    import tomlkit  # noqa: PLC0415 - an extra; help and `new` do without

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


def _inserted(text: str, path: Path, value: Scalar) -> Iterator[str]:
    """Put a line below the last one of its table, above the comments of what follows."""
    end = "\r\n" if "\r\n" in text else "\n"
    import tomlkit  # noqa: PLC0415 - an extra; help and `new` do without

    line = f"{path[-1]} = {tomlkit.item(value).as_string()}{end}"
    lines = text.splitlines(keepends=True)
    table = r"\s*\.\s*".join(map(re.escape, path[:-1]))
    heading = re.compile(rf"\s*\[\s*{table}\s*\]\s*(#.*)?")
    ends = [n for n, each in enumerate(lines) if each.lstrip().startswith("[")] + [len(lines)]
    for first, each in enumerate(lines):
        if heading.fullmatch(each.rstrip("\r\n")):
            # a line of a long text may look like a heading: the first end that proves right counts
            for after in (n for n in ends if n > first):
                yield "".join(_with_line(lines, first, after, line, end))
    closed = text if not text or text.endswith("\n") else text + end
    yield f"{closed}{end}[{'.'.join(path[:-1])}]{end}{line}"


def _with_line(lines: list[str], heading: int, after: int, line: str, end: str) -> list[str]:
    while after > heading + 1 and not lines[after - 1].partition("#")[0].strip():
        after -= 1
    last = lines[after - 1]
    indent = last[: len(last) - len(last.lstrip(" \t"))]
    whole = last if last.endswith("\n") else last + end
    return [*lines[: after - 1], whole, indent + line, *lines[after:]]
