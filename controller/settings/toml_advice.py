"""Plain words for what a TOML reader stumbles over: the line, and what to write instead."""

from __future__ import annotations

import re

_AT = re.compile(r"\(at line (\d+), column (\d+)\)")
_CURLY = "“”„‟«»‘’‚‛"
_CLOCK = re.compile(r"=\s*(\d{1,2}):(\d{2})\s*(?:#|$)")
_LEADING_ZERO = re.compile(r"=\s*([+-]?)0(\d+(?:\.\d+)?)\s*(?:#|$)")
_NO_ZERO = re.compile(r"=\s*([+-]?)(\.\d+)\s*(?:#|$)")
_NO_DIGIT_AFTER = re.compile(r"=\s*([+-]?\d+)\.\s*(?:#|$)")
_COMMA = re.compile(r"=\s*([+-]?\d+),(\d+)\s*(?:#|$)")
_CAPITAL_BOOLEAN = re.compile(r"=\s*(True|False|TRUE|FALSE)\s*(?:#|$)")
_TABLE = re.compile(r"\[+\s*([\w.-]+)\s*\]*")
_BARE_TEXT = re.compile(r"=\s*([^\"'\[{#\s][^#]*?)\s*(?:#.*)?$")
_SPECIAL_VALUES = {"true", "false", "inf", "nan"}


def toml_advice(text: str, error: str) -> str:
    """Return what is wrong with a file that is not TOML, with the line shown.

    Args:
        text: The file.
        error: What the reader says, with the line and column where it stopped.
    """
    match = _AT.search(error)
    lines = text.splitlines()
    if match is None:
        # at the end of the document: what is open began further up
        number = next((n for n, line in enumerate(lines, start=1) if _open_quote(line)), 0)
        if not number:
            return f"is not TOML: {error}"
    else:
        number = int(match[1])
    line = lines[number - 1].strip() if 0 < number <= len(lines) else ""
    return f"is not TOML at line {number}: found {line}, {_advice(line, error)}"


def _advice(line: str, error: str) -> str:
    if any(each in line for each in _CURLY):
        straight = line
        for each in _CURLY:
            straight = straight.replace(each, '"')
        return f"allowed: straight quotation marks; write {straight}"
    return _number_advice(line) or _text_advice(line, error)


def _number_advice(line: str) -> str:
    """Return what is wrong with a number or a time of day; empty: nothing."""
    if clock := _CLOCK.search(line):
        return f'allowed: a time of day as text; write "{int(clock[1]):02}:{clock[2]}"'
    if zero := _LEADING_ZERO.search(line):
        return f"allowed: a number without a zero in front; write {zero[1]}{zero[2]}"
    if bare := _NO_ZERO.search(line):
        return f"allowed: a number with a digit before its point; write {bare[1]}0{bare[2]}"
    if comma := _COMMA.search(line):
        return f"allowed: a point in a number, no comma; write {comma[1]}.{comma[2]}"
    if bare := _NO_DIGIT_AFTER.search(line):
        return f"allowed: a number with a digit after its point; write {bare[1]}.0"
    return ""


def _text_advice(line: str, error: str) -> str:
    if boolean := _CAPITAL_BOOLEAN.search(line):
        return f"allowed: small letters; write {boolean[1].lower()}"
    table = _TABLE.fullmatch(line.partition("#")[0].strip())
    if table and line.count("[") != line.count("]"):
        return f"allowed: a table with a bracket at both ends; write [{table[1]}]"
    if _open_quote(line):
        return "allowed: a text with a quotation mark at both ends"
    if (bare := _BARE_TEXT.search(line)) and not _is_value(bare[1]):
        return f'allowed: a text in quotation marks; write "{bare[1]}"'
    if "=" not in line and not line.startswith("["):
        return "allowed: KEY = VALUE, a table such as [limits], or a comment after #"
    if "overwrite a value" in error.lower() or "declare" in error.lower():
        return "allowed: each key and each table once; it stands further up already"
    return f"which no rule of TOML allows ({error})"


def _open_quote(line: str) -> bool:
    return line.partition("#")[0].count('"') % 2 == 1


def _is_value(text: str) -> bool:
    if text in _SPECIAL_VALUES:
        return True
    try:
        float(text.replace("_", ""))
    except ValueError:
        return False
    return True
