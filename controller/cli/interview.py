"""The interview of ``coldpin new``: one question at a time on a terminal of any width."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rich.console import Console

from controller.planning.answers import UNKNOWN, answer_to, is_unknown
from controller.planning.question import AnswerKind, Known, Question, Value, one_of
from controller.planning.questions import every_question, topics

BACK = "<"
ALL = "all"
"""Shows the whole of a long list."""
MOST_NARROW = 30
"""Words are not broken into lines shorter than this."""

Ask = Callable[[], str]
"""Waits for a line that a person types."""


@dataclass(slots=True)
class Interview:
    """Puts the questions in their order and keeps what was answered."""

    console: Console
    ask: Ask
    keep: Callable[[Mapping[str, str]], object]
    """Is given everything answered so far, after each answer and each step back."""

    def texts(self, given: Mapping[str, str]) -> dict[str, str]:
        """Ask every question that has no answer yet and return all answers as texts.

        Args:
            given: Answers of an earlier, interrupted interview; those that cannot be read are asked
                anew.
        """
        earlier, texts, answered = dict(given), dict[str, str](), list[str]()
        every = topics()
        places = [
            (f"{number} of {len(every)}  {topic.title}", question)
            for number, topic in enumerate(every, start=1)
            for question in topic.questions
        ]
        at, heading = 0, ""
        while at < len(places):
            title, question = places[at]
            known = _known(texts)
            kept = _readable(question, texts.get(question.key, earlier.get(question.key)), known)
            texts.pop(question.key, None)
            if not question.applies(known):
                at += 1
            elif kept is not None:
                texts[question.key] = kept
                answered.append(question.key)  # one may go back to it
                at += 1
            else:
                if title != heading:
                    self.console.print(f"\n{title}", style="bold")
                    heading = title
                answer = self._answer(question, known, can_go_back=bool(answered))
                if answer is None:
                    back = answered.pop()
                    texts.pop(back, None)
                    earlier.pop(back, None)
                    self.keep({**earlier, **texts})
                    at = next(n for n, (_, each) in enumerate(places) if each.key == back)
                    continue
                texts[question.key] = answer
                answered.append(question.key)
                self.keep({**earlier, **texts})
                at += 1
        return texts

    def _answer(self, question: Question, known: Known, *, can_go_back: bool) -> str | None:
        """Return the text of one answer; None: back to the question before."""
        usual = one_of(question.default(known), known)
        self._put(question, known, usual, can_go_back=can_go_back)
        narrowed: tuple[str, ...] = ()
        while True:
            typed = self.ask().strip()
            if typed == BACK:
                if can_go_back:
                    return None
                self.console.print("This is the first question.")
                continue
            text = UNKNOWN if is_unknown(typed) else typed or usual
            if question.kind is AnswerKind.CHOICE and typed and not is_unknown(typed):
                fitting = fitting_options(question, typed)
                if typed.lower() != ALL:
                    fitting = tuple(key for key in fitting if key in narrowed) or fitting
                if len(fitting) != 1:
                    self._put_options(question, fitting)
                    narrowed = fitting
                    continue
                text = fitting[0]
            elif not typed and narrowed:
                self._put_options(question, narrowed)  # none of these is the usual answer
                continue
            try:
                answer = answer_to(question, text, known)
            except ValueError as error:
                self.console.print(f"Not understood; {error}.")
                continue
            if is_unknown(text):
                self.console.print(f"Assumed: {shown_answer(question, answer.text)}")
                return UNKNOWN
            return answer.text

    def _put(self, question: Question, known: Known, usual: str, *, can_go_back: bool) -> None:
        self.console.print(question.text)
        hint = one_of(question.hint, known)
        if hint:
            self.console.print(f"({hint})", style="dim")
        first = question.options[: question.shown_first or None]
        self._list(question, [option.key for option in first])
        numbers = {option.key: str(n) for n, option in enumerate(question.options, start=1)}
        enter = numbers.get(usual, usual)
        if len(first) < len(question.options):
            self.console.print(f"Or part of another name; {ALL} lists all {len(question.options)}.")
        ways = [f"Enter: {enter}"]
        if question.cautious is not None:
            ways.append("?: I don't know")
        if can_go_back:
            ways.append(f"{BACK}: back")
        self.console.print("   ".join(ways), style="dim")

    def _put_options(self, question: Question, fitting: tuple[str, ...]) -> None:
        """Say that no option is meant, or show those that may be."""
        if fitting:
            self.console.print("Which of these?")
            self._list(question, fitting)
        elif question.shown_first:
            self.console.print(f"No such name. Type part of one, a number, or {ALL} for the list.")
        else:
            self.console.print(f"Type a number from 1 to {len(question.options)}.")

    def _list(self, question: Question, keys: Sequence[str]) -> None:
        for number, option in enumerate(question.options, start=1):
            if option.key in keys:
                line = textwrap.fill(
                    option.words,
                    max(MOST_NARROW, self.console.width - 1),
                    initial_indent=f" {number:>2}  ",
                    subsequent_indent=" " * 5,
                )
                self.console.print(line, highlight=False, soft_wrap=True)


def _known(texts: Mapping[str, str]) -> dict[str, Value]:
    known: dict[str, Value] = {}
    for question in every_question():
        if question.key in texts:
            known[question.key] = answer_to(question, texts[question.key], known).value
    return known


def _readable(question: Question, text: str | None, known: Known) -> str | None:
    """Return an earlier answer, None where there is none that can be read."""
    if text is None:
        return None
    try:
        answer = answer_to(question, text, known)
    except ValueError:
        return None
    return UNKNOWN if is_unknown(text) else answer.text


def fitting_options(question: Question, typed: str) -> tuple[str, ...]:
    """Return the options that a person may mean: by number, by key, by how the words begin.

    Where none does, those in whose words it stands anywhere; all of a long list for "all".
    """
    every = tuple(option.key for option in question.options)
    if typed.isascii() and typed.isdigit():
        number = int(typed)
        return every[number - 1 : number] if number > 0 else ()
    wanted = typed.lower().replace("’", "'")
    if wanted in every:
        return (wanted,)
    if wanted == ALL and question.shown_first:
        return every
    words = {option.key: option.words.lower() for option in question.options}
    begins = [key for key in every if words[key].startswith(wanted) or key.startswith(wanted)]
    return tuple(begins or (key for key in every if wanted in words[key] or wanted in key))


def shown_answer(question: Question, text: str) -> str:
    """Return an answer as a person reads it."""
    return next((option.words for option in question.options if option.key == text), text)
