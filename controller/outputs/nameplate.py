"""What the record of a relay module for mains must say: lists of known good texts only. Pure.

A list of bad words is never complete ("CE mark", "opto", "in the shed"), so every field is accepted
only when it consists of what its list knows. Whatever else a plate says belongs in
``description``. A number that has the right form proves only its form: look it up in the directory
of the body that gave it.

Source:
    Marks: guides to certification marks; forms of file numbers: real certificates, and from memory
    where no certificate was at hand. CE and its like are the maker's own declaration: Regulation
    (EC) 765/2008 Art. 30. Standards: `relay_standards`. Insulation: IEC 61140 and IEC 60364-4-41.
    Enclosures: IEC 60529 and NEMA 250.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from controller.outputs import relay_standards

REQUIRED = {
    "description": "what the module is",
    "certification_mark": "the mark of a testing body, such as VDE, UL, CSA, ETL or TÜV",
    "standard": 'the standard that it was tested to, with its number, such as "EN 61810-1"',
    "file_number": "the file or certificate number under which that body lists it",
    "isolation_class": '"double insulation", "reinforced insulation", "class II" or '
    '"protective separation" between control side and contacts',
    "enclosure": 'the enclosure with its code, such as "IP54 box" or "IP20 in a closed box"',
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
"""First words after which nothing that follows is a statement: "not listed", "TODO: look". They
only choose the advice; what is accepted is decided by the lists below."""


@dataclass(frozen=True, slots=True)
class _Body:
    """A testing body: the form of its numbers, and that form as people read it."""

    number: str
    such_as: str


_UL = _Body(r"E\d{5,6}|MH\d{4,6}|SA\d{3,5}", "E and five or six digits")
_INTERTEK = _Body(r"\d{5,11}", "5 to 11 digits")
_CSA = _Body(r"(?:LR\s?)?\d{4,7}", "4 to 7 digits, perhaps after LR")
_VDE = _Body(r"400\d{5}", "eight digits that begin with 400")
_TUV = _Body(
    r"[A-Z]{1,2}\s?\d{8}|[A-Z]\d?[A-Z]?(?:\s\d{2}){2}\s\d{5}\s\d{3}",
    'one or two letters and eight digits, or groups as in "Z1A nn nn nnnnn nnn"',
)
_ENEC = _Body(
    rf"{_VDE.number}|[A-Z]{{0,2}}\s?\d{{5,9}}", "the number of the body that the ENEC code names"
)
_ANOTHER = _Body(
    r"[A-Z]{0,4}[ ./-]?(?:\d{1,4}[ ./-]){0,2}\d{5,12}(?:[ ./-]\d{1,5})?",
    "at least five digits without a break",
)
"""Bodies of whose numbers we know no form; dates, versions and counts have shorter groups."""
_MADE_UP = ("01234567890123", "98765432109876")
"""Numbers that count up or down come from a keyboard, not from a certificate."""

_BODIES: dict[str, _Body] = {
    **dict.fromkeys(("ul", "cul", "culus", "ulus"), _UL),
    **dict.fromkeys(("etl", "cetl", "cetlus", "etlus", "intertek"), _INTERTEK),
    "csa": _CSA,
    "vde": _VDE,
    **dict.fromkeys(("tüv", "tuv"), _TUV),
    "enec": _ENEC,
    **dict.fromkeys((
        "asta", "cebec", "cqc", "ccc", "dekra", "demko", "electrosuisse", "fimko", "fm", "gs",
        "imq", "kc", "kema", "kitemark", "met", "nemko", "nf", "semko", "sev", "sgs", "öve",
    ), _ANOTHER),
}  # fmt: skip
"""Marks of testing bodies by what is printed, in small letters."""

_TERMS_NEAR_A_MARK = frozenset({
    "and", "approval", "approved", "c", "ce", "certified", "fcc", "listed", "mark", "reach",
    "rheinland", "rohs", "süd", "sud", "ukca", "us", "weee", "with",
})  # fmt: skip
"""What may stand beside a testing body's mark; none of it counts as one."""
_ENGLISH_TOO = "MET"
"""A mark that is an English word too, so it counts only as printed: "CE met" is no mark."""
_UNPRINTED = re.compile(r"[^A-Za-z0-9ÄÖÜäöüß\s.,;:/()&+®™°≥\"'–—-]")
"""What no plate prints: a question mark, a cross or another script may turn a text round."""
_DECLARATIONS = frozenset({"ce", "ukca", "rohs", "fcc", "weee", "reach"})
"""Marks that the maker puts on by himself; they only choose the advice."""

_LABELS = r"(?:file|certificate|cert|control|registration|reg|licen[cs]e|number|no|nr)"
_GOOD_INSULATION = re.compile(
    r"\breinforced\b|\bdouble[ -]?(?:insulat\w+|isolation)\b|^double(?=$|,| or | and )|"
    r"\bclass ii\b|\b(?:safe|protective) separation\b"
)
_WEAKER = r"(?:basic|functional|supplementary)(?: insulation)?"
_ADDED_TO_A_STRONGER = re.compile(rf"\b{_WEAKER} and | and {_WEAKER}(?=$|[,;])")
"""A weaker insulation counts for nothing where the good one is there as well."""
_WEAK = re.compile(rf"\b{_WEAKER}\b|\bclass (?!ii\b)\w+")
_INSULATION_TERMS = frozenset({
    "and", "basic", "between", "circuit", "class", "clearance", "coil", "contact", "contacts",
    "control", "creepage", "double", "from", "functional", "ii", "iec", "en", "input", "insulated",
    "insulation", "isolation", "mains", "or", "output", "per", "protection", "protective",
    "reinforced", "safe", "selv", "separation", "side", "supplementary", "the", "to", "v", "kv",
    "mm",
})  # fmt: skip

_IP = re.compile(r"\bIP\s?([0-6X])([0-9X])K?\b", re.IGNORECASE)
_NEMA = re.compile(
    r"\b(?:NEMA|TYPE)\s*(?:TYPE\s*)?(?:1|2|3[RSX]{0,2}|4X?|5|6P?|12K?|13)\b", re.IGNORECASE
)
_BOX = r"(?:box|cabinet|case|enclosure|housing)"
_KINDS_OF_BOX = frozenset({
    "a", "abs", "an", "closed", "din", "hinged", "junction", "locked", "metal", "module",
    "mounted", "plastic", "polycarbonate", "rail", "relay", "screwed", "sealed", "steel", "the",
    "type", "wall",
})  # fmt: skip
_ENCLOSURE_TERMS = _KINDS_OF_BOX | frozenset({
    "and", "box", "cabinet", "cable", "case", "cover", "door", "enclosure", "front", "gland",
    "glands", "housing", "in", "inside", "lid", "on", "screws", "with",
})  # fmt: skip
_KIND = rf"(?:(?:{'|'.join(sorted(_KINDS_OF_BOX))}) )*"
_OF_A_PART = re.compile(
    rf"{_IP.pattern},? (?:cable |relay )?(?:glands?|lid|cover|door|relay|module)\b", re.IGNORECASE
)
"""The code of a relay or a gland says nothing about splashes on the box around it."""
_IN_A_BOX = re.compile(rf"(?:^|[,;] ?|\b(?:in|inside) ){_KIND}{_BOX}\b")
_IN_A_CLOSED_BOX = re.compile(rf"(?:^|[,;] ?|\b(?:in|inside) ){_KIND}closed {_KIND}{_BOX}\b")
"""A relay on a box, or with glands, is not in one."""
_LEAST_FINGERS, _SPLASH = 2, 4
"""IP2X keeps fingers off live parts; IPX4 keeps splashes out, and below it a closed box must."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A field that does not say what it must."""

    field: str
    recorded: str
    allowed: str
    advice: str


def gaps(fields: Mapping[str, str | None]) -> list[Gap]:
    """Return what a record lacks for a mains load; empty when it is complete.

    Args:
        fields: The record's texts by the names of `REQUIRED`; None for a field it has not.
    """
    missing = []
    for field, allowed in REQUIRED.items():
        text = fields[field] or ""
        advice = _COPY if is_placeholder(text) else _advice(field, text, fields)
        if advice is not None:
            shown = "nothing" if fields[field] is None else f'"{text}"'
            missing.append(Gap(field=field, recorded=shown, allowed=allowed, advice=advice))
    return missing


def is_placeholder(text: str) -> bool:
    """Return whether a field is empty, a stand-in, or a way of saying no."""
    terms = _terms(text)
    if "".join(terms) in _STAND_INS or terms[0] in _EVASIONS or terms[:2] == ["n", "a"]:
        return True
    if re.fullmatch(r"\s*[<{].*[>}]\s*", text):  # a form that was not filled in
        return True
    # "no mark" says no, but "No. 1234" is a number
    return terms[0] == "no" and not any(letter.isdigit() for letter in text)


def _advice(field: str, text: str, fields: Mapping[str, str | None]) -> str | None:
    """Return what to do about a field that says something, but not what it must."""
    if field != "description" and (unprinted := _UNPRINTED.findall(text)):
        return f"write what is printed, without {_quoted(unprinted)}"
    match field:
        case "certification_mark":
            return _mark_advice(text)
        case "standard":
            return _standard_advice(text)
        case "file_number":
            mark, standard = fields["certification_mark"] or "", fields["standard"] or ""
            return _number_advice(text, mark=mark, standard=standard)
        case "isolation_class":
            return _insulation_advice(text)
        case "enclosure":
            return _enclosure_advice(text)
        case _:
            return None


def _mark_advice(text: str) -> str | None:
    terms = _mark_terms(text)
    others = [term for term in terms if term not in _BODIES and term not in _TERMS_NEAR_A_MARK]
    if any(term in _BODIES for term in terms):
        if not others:
            return None
        return f"write the mark alone, without {_quoted(others)}; a component's mark is none"
    if set(terms) & _DECLARATIONS:
        return f"that is the maker's own declaration and no test: {_COPY}"
    return f"no testing body that coldpin knows has that mark: {_COPY}"


def _mark_terms(text: str) -> list[str]:
    """Return the words of a mark; the two digits after ENEC name the body and go with it."""
    terms = _terms(re.sub(r"(?i)\benec\s?\d{2}\b", "enec", text))
    if re.search(rf"\b{_ENGLISH_TOO}\b", text):
        return terms
    return [f"{term} (as a word)" if term == _ENGLISH_TOO.casefold() else term for term in terms]


def _standard_advice(text: str) -> str | None:
    if not any(letter.isdigit() for letter in text):
        return f"it has no number in it: {_COPY}"
    return relay_standards.refusal(text)


def _number_advice(text: str, *, mark: str, standard: str) -> str | None:
    """Judge a file number by the forms of the bodies that the mark names."""
    bodies = {_BODIES[term] for term in _mark_terms(mark) if term in _BODIES}
    if not bodies:
        bodies = set(_BODIES.values())  # the mark has a refusal of its own
    digits = _digits(text)
    if not digits:
        return f"it has no number in it: {_COPY}"
    if relay_standards.STANDARD.search(text.upper()) or digits in _numbers_of(standard):
        return f"that is the number of the standard: {_COPY}"
    if len(digits) > 3 and (len(set(digits)) == 1 or any(digits in each for each in _MADE_UP)):
        return f"that is a made-up number: {_COPY}"
    for body in bodies:
        number = rf"(?<![A-Z0-9])(?:{body.number})(?![A-Z0-9])"
        rest = re.sub(rf"(?i)\b{_LABELS}\b", " ", re.sub(number, " ", text.upper()))
        if not re.search(r"[^\W_]", rest):
            return None
    forms = " or ".join(sorted({body.such_as for body in bodies}))
    named = f" of {mark}" if mark.strip() else ""
    return f"a number{named} has {forms}; write it alone, and look it up in the body's directory"


def _numbers_of(standard: str) -> set[str]:
    """Return the numbers of the standards in a list, with the part of a standard and without."""
    parts = relay_standards.parts_of(standard)
    return {_digits(part) for part in parts} | {_digits(part.partition("-")[0]) for part in parts}


def _digits(text: str) -> str:
    return "".join(letter for letter in text if letter.isdigit())


def _insulation_advice(text: str) -> str | None:
    plain = " ".join(text.casefold().split())
    others = [
        term
        for term in _terms(text)
        if term not in _INSULATION_TERMS and not re.fullmatch(r"[1-9]\d*(?:v|kv|mm)?", term)
    ]
    if _GOOD_INSULATION.search(plain) is None:
        return (
            "the Pi's side is touched by people, so use a module with better insulation; an "
            "optocoupler, a test voltage and basic insulation are no such class"
        )
    if weaker := _WEAK.findall(_ADDED_TO_A_STRONGER.sub("", plain)):
        return f"write the better class alone, without {_quoted(weaker)}: which of them holds?"
    if others:
        return f"write the class alone, without {_quoted(others)}"
    return None


def _enclosure_advice(text: str) -> str | None:
    codes = [(first, second) for first, second in _IP.findall(text)]
    if not codes and not _NEMA.search(text):
        return "put no bare board on mains: use an enclosed, listed module, and write its IP code"
    if any(first.upper() == "X" or int(first) < _LEAST_FINGERS for first, _ in codes):
        return "put no bare board on mains: at least IP2X keeps fingers off the contacts"
    rest = re.sub(r"[^\w,;]+", " ", _NEMA.sub(" ", _IP.sub(" ", text)).casefold()).strip(" ,;")
    in_a_box = _IN_A_BOX.search(rest) is not None
    # "open type" is the trade's word for a relay that is to be put into a box
    terms = _terms(rest.replace("open type", "type") if in_a_box else rest)
    if others := [term for term in terms if term not in _ENCLOSURE_TERMS]:
        return f"write code and box alone, without {_quoted(others)}"
    if terms and not in_a_box:
        return 'say what keeps fingers off the contacts, such as "in an IP54 box"'
    of_the_box = [second for _, second in _IP.findall(_OF_A_PART.sub(" ", text))]
    splash = any(second.upper() != "X" and int(second) >= _SPLASH for second in of_the_box)
    if codes and not splash and not _IN_A_CLOSED_BOX.search(rest):
        return 'below IPX4 splashes get in: mount it in a closed box, and write "in a closed box"'
    return None


def _quoted(terms: list[str]) -> str:
    return ", ".join(f'"{term}"' for term in dict.fromkeys(terms))


def _terms(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.casefold())
