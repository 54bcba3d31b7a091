"""A grower's answers: as text, as values, and which of them are assumed; and as a file."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import time
from difflib import get_close_matches
from enum import StrEnum
from pathlib import Path
from typing import Any

from controller.errors import PhysicsError
from controller.planning import parts_list
from controller.planning.question import (
    Known,
    Question,
    Value,
    as_written,
    bare_unit,
    is_us,
    one_of,
    read_answer,
)
from controller.planning.questions import every_question
from controller.settings.load import Settings
from controller.settings.toml_edit import toml_string

UNKNOWN = "don't know"
"""How an answers file, and a page's form, say that a person does not know."""
_UNKNOWN_WORDS = {UNKNOWN, "?", "unknown", "i don't know", "dont know"}
AS_IN_FILE = "as in your file: "
"""Begins an answer that says what a person's file says, where no usual answer does."""
LINE_MARK = "#: "
"""Begins each line of a configuration that keeps an answer."""


class Origin(StrEnum):
    """Where an answer comes from."""

    GIVEN = "given"
    DEFAULT = "default"
    """Nobody was asked, and the usual was taken."""
    CAUTIOUS = "cautious"
    """The person does not know."""
    FILE = "file"
    """A configuration that the person wrote says it."""


@dataclass(frozen=True, slots=True)
class GivenAnswer:
    """One answer."""

    text: str
    value: Value
    """What it means; where no answer fits a figure of a person's file, the nearest."""
    origin: Origin
    fits: bool = True
    """Whether the value says what the file says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFile:
    """A configuration that a person wrote or changed, and the answers that its keys come to."""

    content: str
    folder: Path
    """Where files that it names are looked for."""
    settings: Settings
    answers: Mapping[str, GivenAnswer]


@dataclass(frozen=True, slots=True)
class Answers:
    """An answer to every question that is asked, in the order of the questions."""

    of: Mapping[str, GivenAnswer]
    changes: tuple[str, ...] = ()
    """Keys of changes from `planning.changes` that were applied, in their order."""
    problems: Mapping[str, str] = field(default_factory=dict)
    """Answers that could not be read, and why; the usual stands in their place."""
    own: OwnFile | None = None
    """The file that they began with; None: none but one that is written from answers."""

    def __getitem__(self, key: str) -> Value:
        """Return a value.

        Raises:
            KeyError: That question is not asked.
        """
        return self.of[key].value

    def text(self, key: str) -> str:
        """Return an answer that is a word or a name."""
        value = self[key]
        assert isinstance(value, str)
        return value

    def number(self, key: str) -> float:
        """Return an answer that is a number, in our unit."""
        value = self[key]
        assert isinstance(value, int | float)
        return value

    def clock(self, key: str) -> time:
        """Return an answer that is a time of day."""
        value = self[key]
        assert isinstance(value, time)
        return value

    def size_m(self) -> tuple[float, float, float]:
        """Return the size of the chamber [m]."""
        value = self["size"]
        assert isinstance(value, tuple)
        return value

    @property
    def us(self) -> bool:
        """Whether the grower thinks in °F, quarts and pounds."""
        return is_us({"units": self["units"]})

    @property
    def unit(self) -> str:
        """The unit of temperature that the grower chose, C or F."""
        return "F" if self.us else "C"

    def assumed(self, key: str) -> bool:
        """Return whether the grower did not give it."""
        return key in self.of and self.of[key].origin in {Origin.DEFAULT, Origin.CAUTIOUS}

    def moved(self, *keys: str) -> bool:
        """Return whether any of these differs from what the person's file says."""
        own = {} if self.own is None else self.own.answers
        return any(
            key in self.of and (key not in own or own[key].text != self.of[key].text)
            for key in keys
        )

    def words(self, key: str, otherwise: str) -> str:
        """Return what a person's file says in its own words, else the given ones."""
        answer = self.of[key]
        return otherwise if answer.fits else answer.text.removeprefix(AS_IN_FILE)


def is_unknown(text: str) -> bool:
    """Return whether a text says that the person does not know."""
    return text.strip().lower().replace("’", "'") in _UNKNOWN_WORDS


def answer_to(question: Question, text: str | None, known: Known) -> GivenAnswer:
    """Return the answer to one question.

    Args:
        question: What was asked.
        text: What was answered; None: nothing yet, the usual is taken.
        known: The answers before it.

    Raises:
        ValueError: It cannot be read, or not knowing is no answer.
    """
    if text is None:
        return _own(question, question.default(known), known, Origin.DEFAULT)
    if is_unknown(text):
        if question.cautious is None:
            raise ValueError("allowed: an answer; this one has to be known")
        return _own(question, question.cautious(known), known, Origin.CAUTIOUS)
    text = as_written(question, text)
    value = read_answer(question, text, known)
    return GivenAnswer(_with_unit(question, text, known), value, Origin.GIVEN)


def _own(
    question: Question, text: str | tuple[str, str], known: Known, origin: Origin
) -> GivenAnswer:
    shown = one_of(text, known)
    return GivenAnswer(shown, read_answer(question, shown, known), origin)


def _with_unit(question: Question, text: str, known: Known) -> str:
    """Return a text with the unit in which it was taken, so that it means the same anywhere."""
    unit = bare_unit(question, known)
    return f"{text} {unit.removeprefix('°')}" if unit and text[-1:].isdigit() else text


def complete(
    texts: Mapping[str, str], changes: tuple[str, ...] = (), own: OwnFile | None = None
) -> Answers:
    """Return answers to every question, the usual where a text is missing or cannot be read.

    Args:
        texts: What was answered, by question.
        changes: Keys of changes that were applied.
        own: A person's file, whose answers stand where nothing else was answered.
    """
    kept = {} if own is None else dict(own.answers)
    if own is not None and texts.get("place", kept["place"].text) != kept["place"].text:
        # another place has temperatures of its own
        texts = {
            key: text
            for key, text in texts.items()
            if key not in OF_A_PLACE or text != kept[key].text
        }
        kept = {key: answer for key, answer in kept.items() if key not in OF_A_PLACE}
    known: dict[str, Value] = {}
    of: dict[str, GivenAnswer] = {}
    problems: dict[str, str] = {}
    for question in every_question():
        if not question.applies(known):
            continue
        text, as_in_file = texts.get(question.key), kept.get(question.key)
        if as_in_file is not None and text in {None, as_in_file.text}:
            answer = as_in_file
        else:
            try:
                answer = answer_to(question, text, known)
            except ValueError as error:
                problems[question.key] = str(error)
                answer = as_in_file or answer_to(question, None, known)
        known[question.key] = answer.value
        of[question.key] = answer
    answers = Answers(of, changes, problems, own)
    if own is None or answers.moved("day", "night", "packs", "packs_in_water", "sleeps", "wakes"):
        problems.update((key, text) for key, text in _joined(known) if key not in problems)
    return answers


OF_A_PLACE = ("day", "night", "humidity")
"""Questions whose usual answers follow from where the chamber stands."""


def _joined(known: Known) -> Iterator[tuple[str, str]]:
    """Yield what several answers together cannot be."""
    day, night = known["day"], known["night"]
    assert isinstance(day, float)
    assert isinstance(night, float)
    if night > day:
        yield "night", "allowed: no warmer than the afternoon"
    in_water, packs = known["packs_in_water"], known["packs"]
    assert isinstance(in_water, int)
    assert isinstance(packs, int)
    if packs < in_water:
        yield "packs", f"allowed: {in_water} or more, those in the water included"
    if known["core"] == parts_list.RATED:
        yield from _rating(known)
    if known["sleeps"] == known["wakes"]:
        yield "wakes", "allowed: another time than when you go to sleep"


def _rating(known: Known) -> Iterator[tuple[str, str]]:
    rating, air, water = (known[key] for key in ("rating", "rated_air", "rated_water"))
    assert isinstance(rating, float)
    assert isinstance(air, float)
    assert isinstance(water, float)
    try:
        parts_list.rated_figures(
            w_per_k=rating, rated_m3_h=air, rated_l_h=water, fan="ordinary", fans=1
        )
    except PhysicsError as error:
        yield "rating", str(error)


def read_answers(content: str) -> tuple[dict[str, str], tuple[str, ...], list[str]]:
    """Read answers from a file of them, or from a configuration that keeps them.

    Args:
        content: A TOML file with a key for each question; or a configuration in which lines that
            begin with ``#:`` are such a file.

    Returns:
        The texts by question, the changes applied, and every problem found.
    """
    kept = "\n".join(
        line.removeprefix(LINE_MARK) for line in content.splitlines() if line.startswith(LINE_MARK)
    )
    try:
        document = tomllib.loads(kept or content)
    except ValueError as error:
        return {}, (), [f"is not TOML: {error}"]
    changes = document.pop("changes", [])
    problems: list[str] = []
    if not isinstance(changes, list) or not all(isinstance(each, str) for each in changes):
        problems.append("changes: allowed: a list of texts")
        changes = []
    return dict(_texts(document, problems)), tuple(changes), problems


def _texts(document: dict[str, Any], problems: list[str]) -> Iterator[tuple[str, str]]:
    keys = [question.key for question in every_question()]
    for key, value in document.items():
        if key not in keys:
            closest = get_close_matches(key, keys, n=1)
            advice = f"did you mean {closest[0]}?" if closest else f"allowed: {', '.join(keys)}"
            problems.append(f"{key}: found an unknown question; {advice}")
        elif isinstance(value, bool | dict | list):
            problems.append(f'{key}: allowed: text in quotation marks, such as "{UNKNOWN}"')
        else:
            yield key, f"{value:%H:%M}" if isinstance(value, time) else str(value)


def keeps_answers(content: str) -> bool:
    """Return whether a configuration keeps the answers that it was made from."""
    return any(line.startswith(LINE_MARK) for line in content.splitlines())


def texts_in(content: str) -> dict[str, str]:
    """Return the answers that a configuration keeps; none where it keeps none that can be read."""
    return read_answers(content)[0] if keeps_answers(content) else {}


def answers_text(texts: Mapping[str, str], changes: tuple[str, ...] = ()) -> str:
    """Return a file of answers, one line for each."""
    lines = [f"{key} = {toml_string(text)}" for key, text in texts.items()]
    if changes:
        quoted = ", ".join(toml_string(each) for each in changes)
        lines.append(f"changes = [{quoted}]")
    return "".join(f"{line}\n" for line in lines)


def texts_of(answers: Answers) -> dict[str, str]:
    """Return the answers as texts; what nobody was asked is left out."""
    return {
        key: UNKNOWN if answer.origin is Origin.CAUTIOUS else answer.text
        for key, answer in answers.of.items()
        if answer.origin not in {Origin.DEFAULT, Origin.FILE}
    }
