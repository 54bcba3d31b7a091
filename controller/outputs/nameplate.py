"""What the record of a relay module for mains must say, and which words say nothing. Pure.

The record is copied by hand, and an empty or evasive field is the sign that nobody looked at the
nameplate, or that there is none: the usual case of a bare relay board.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

REQUIRED = {
    "description": "what the module is",
    "certification_mark": "the mark of the testing body",
    "standard": "the standard that it was tested to, with its number",
    "file_number": "the file or certificate number under which it is listed",
    "isolation_class": "double or reinforced insulation between control side and contacts",
    "enclosure": "the enclosure that keeps fingers and spray off the contacts",
}
"""Each field that a mains module's record must fill, and what belongs there."""

_COPY = "copy it from the nameplate; without one, use a listed module that has one"

_STAND_INS = frozenset({
    "", "blank", "dummy", "empty", "example", "false", "foo", "na", "nil", "no", "null", "ok",
    "true", "undefined", "xx", "xxx", "xxxx", "yes",
})  # fmt: skip
_EVASIONS = frozenset({
    "fixme", "missing", "none", "not", "pending", "placeholder", "see", "tba", "tbc", "tbd",
    "todo", "uncertified", "unknown", "unlisted", "unmarked", "unspecified", "without",
})  # fmt: skip
"""First words after which nothing that follows is a statement: "not listed", "TODO: look"."""

_DECLARATIONS = frozenset({"ce", "ukca", "rohs", "fcc", "weee", "reach"})
"""Marks that the maker puts on by himself; no testing body stands behind them.

Source: Regulation (EC) 765/2008 Art. 30 for CE; the rest of the list from memory.
"""
_BARE = frozenset({"bare", "naked", "open", "unenclosed", "pcb", "board", "ip00"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A field that does not say what it must."""

    field: str
    found: str
    allowed: str
    advice: str


def gaps(fields: Mapping[str, str | None]) -> list[Gap]:
    """Return what a record lacks for a mains load; empty when it is complete.

    Args:
        fields: The record's texts by the names of `REQUIRED`; None for a field it has not.
    """
    found = []
    for field, allowed in REQUIRED.items():
        text = fields[field] or ""
        advice = _COPY if says_nothing(text) else _advice(field, text)
        if advice is not None:
            shown = "nothing" if fields[field] is None else f'"{text}"'
            found.append(Gap(field=field, found=shown, allowed=allowed, advice=advice))
    return found


def says_nothing(text: str) -> bool:
    """Return whether a field is empty, a stand-in, or a way of saying no."""
    words = _words(text)
    if "".join(words) in _STAND_INS or words[0] in _EVASIONS or words[:2] == ["n", "a"]:
        return True
    if re.fullmatch(r"\s*[<{].*[>}]\s*", text):  # a form that was not filled in
        return True
    # "no mark" says no, but "No. 1234" is a number
    return words[0] == "no" and not _has_digit(text)


def _advice(field: str, text: str) -> str | None:
    """Return what to do about a field that says something, but not what it must."""
    words = set(_words(text))
    match field:
        case "certification_mark" if words <= _DECLARATIONS:
            return f"that is the maker's own declaration and no test: {_COPY}"
        case "standard" | "file_number" if not _has_digit(text):
            return f"it has no number in it: {_COPY}"
        case "isolation_class" if _only_basic(words):
            return "the Pi's side is touched by people, so use a module with better insulation"
        case "enclosure" if words & _BARE and not words & {"in", "inside", "with"}:
            return "put no bare board on mains: use an enclosed, listed module"
        case _:
            return None


def _only_basic(words: set[str]) -> bool:
    """Basic insulation protects until its first fault only (IEC 61140)."""
    return bool(words & {"basic", "functional"}) and not words & {"double", "reinforced"}


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.casefold())


def _has_digit(text: str) -> bool:
    return any(letter.isdigit() for letter in text)
