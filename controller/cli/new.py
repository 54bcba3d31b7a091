"""``coldpin new``: from questions in plain words to a configuration and its verdict."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from controller.cli import people
from controller.cli.files import require_folder
from controller.cli.interview import Interview
from controller.cli.new_file import read_content, write_whole
from controller.errors import InputFileError, PhysicsError, ScenarioError
from controller.pictures import words
from controller.planning.answers import (
    Answers,
    answers_text,
    complete,
    read_answers,
    texts_of,
)
from controller.planning.changes import Change, best_changes
from controller.planning.consultation import Consultation, cheapest_mend, consult
from controller.planning.equipment import cautions_of
from controller.planning.mend import mended_answers
from controller.planning.questions import every_question
from controller.planning.verdict import Verdict
from controller.planning.verdict_words import (
    change_sentence,
    changes_heading,
    no_change_sentence,
    supply_sentence,
    verdict_sentence,
)

DEFAULT_FILE = Path("my-chamber.toml")
Keep = Callable[[Mapping[str, str]], object]
"""Keeps what was answered so far."""
MOST_TRIED = 4
"""More changes in a row than this are a new build, not a mended one."""


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), default=DEFAULT_FILE)
@click.option(
    "--answers",
    "answers_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Take the answers from a file instead of asking.",
)
@click.option("--overwrite", is_flag=True, help="Replace FILE if it is there.")
@click.option("--json", "as_json", is_flag=True, help="With --answers: one JSON document.")
@click.option(
    "--wire",
    "wire_it",
    is_flag=True,
    help="On the Pi: find out which probe and which relay is which; without FILE, ask first.",
)
def new(
    file: Path, answers_file: Path | None, overwrite: bool, as_json: bool, wire_it: bool
) -> None:
    """Ask about a chamber, judge it, and write its configuration.

    Press Enter for the usual answer, ? if you do not know, < to go back. Run it again to go on
    with an interrupted interview. FILE is my-chamber.toml unless you name another.
    """
    if wire_it and (answers_file is not None or as_json or overwrite):
        raise click.UsageError("--wire asks on its own; leave the other options out")
    if answers_file is not None:
        _replay(file, answers_file, overwrite=overwrite, as_json=as_json)
        return
    if as_json:
        raise click.UsageError("--json goes with --answers FILE")
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise click.UsageError(
            "coldpin new asks questions, and this is not a terminal. Run it in one, or give the "
            "answers in a file: coldpin new FILE --answers ANSWERS"
        )
    if wire_it:
        from controller.cli.wire import wire  # noqa: PLC0415 - an interview needs no hardware

        if not file.exists():
            _interview(people.console(), file, overwrite=False)
        wire(file)
        return
    _interview(people.console(), file, overwrite=overwrite)


def _replay(file: Path, answers_file: Path, *, overwrite: bool, as_json: bool) -> None:
    texts, changes, problems = read_answers(read_content(answers_file))
    answers = complete(texts, changes)
    problems += [f"{key}: found {texts.get(key)!r}, {why}" for key, why in answers.problems.items()]
    if problems:
        raise InputFileError(str(answers_file), tuple(problems))
    _refuse_existing(file, overwrite=overwrite)
    result, better = _judged(answers)
    write_whole(file, result.text)
    if as_json:
        people.print_json(_document(file, result, better))
        return
    console = people.console()
    _print_verdict(console, result, better)
    _print_written(console, file)


def _refuse_existing(file: Path, *, overwrite: bool) -> None:
    require_folder(file)
    if file.exists() and not overwrite:
        raise click.UsageError(
            f"{file} is there already; name another file, or add --overwrite to replace it"
        )


def _judged(answers: Answers) -> tuple[Consultation, tuple[Change, ...]]:
    try:
        result = consult(answers)
        return result, best_changes(result.judgement)
    except PhysicsError as error:
        raise ScenarioError(f"this equipment cannot be judged: {error}") from error


def _interview(console: Console, file: Path, *, overwrite: bool) -> None:
    require_folder(file)
    kept = kept_answers(file)
    if file.exists() and not overwrite and not _yes(f"{file} is there already. Replace it?"):
        console.print("Nothing was changed. Name another file: coldpin new NAME.toml")
        return
    by_file = {"name": file.stem.replace("-", " ")}
    given: Mapping[str, str] = by_file
    if kept.exists():
        texts, _, problems = read_answers(read_content(kept))
        if texts and not problems and _yes(f"Go on with your {len(texts)} earlier answers?"):
            given = {**given, **texts}
    console.print(
        "About twelve questions, then a verdict. Answer with a number, or with how the words "
        "begin. Ctrl-C stops and keeps your answers."
    )

    def keep(texts: Mapping[str, str]) -> None:
        answered = {key: text for key, text in texts.items() if by_file.get(key) != text}
        write_whole(kept, answers_text(answered))

    try:
        result = _settle(console, complete(Interview(console, _typed, keep).texts(given)), keep)
    except (click.Abort, EOFError, KeyboardInterrupt):
        if kept.exists():
            console.print(f"\nYour answers are kept in {kept}. The same command goes on with them.")
        raise click.Abort from None
    write_whole(file, result.text)
    with contextlib.suppress(OSError):
        kept.unlink()
    _print_written(console, file)


def kept_answers(file: Path) -> Path:
    """Return where an unfinished interview for a configuration keeps its answers."""
    return file.with_name(f"{file.stem}.answers.toml")


def _settle(console: Console, answers: Answers, keep: Keep) -> Consultation:
    """Show the verdict, and let the person try changes until it holds or they have enough."""
    answers = _readable_answers(console, answers, keep)
    while True:
        console.print("\nRehearsing hot days ...", style="dim")
        result, better = _judged(answers)
        _print_verdict(console, result, better)
        if result.judgement.holds or len(answers.changes) >= MOST_TRIED:
            return result
        added = _wanted(console, result, better)
        if not added:
            return result
        answers = replace(answers, changes=(*answers.changes, *added))


def _wanted(console: Console, result: Consultation, better: tuple[Change, ...]) -> tuple[str, ...]:
    """Return the keys of the changes with which the person wants to plan on; empty: none."""
    change = cheapest_mend(better)
    if change is not None:
        plan_on = change.key != "night-shift" and _yes(f"Plan with this change: {change.what}?")
        return (change.key,) if plan_on else ()
    if not _yes("Look for changes that work together?"):
        return ()
    mend = mended_answers(result.judgement)
    if mend is None:
        console.print("Not even all of them together make it work; see what stops it, above.")
        return ()
    console.print("Together these make it work:")
    for number, each in enumerate(mend.applied, start=1):
        console.print(f"{number}. {each.what}")
    return tuple(each.key for each in mend.applied) if _yes("Plan with them?") else ()


def _readable_answers(console: Console, answers: Answers, keep: Keep) -> Answers:
    """Put right, by asking once more, what answers cannot be together."""
    questions = {question.key: question for question in every_question()}
    while answers.problems:
        texts = texts_of(answers)
        for key, why in answers.problems.items():
            console.print(f"\n{questions[key].text}")
            if key in texts:
                console.print(f"{texts[key]} does not go with your other answers; {why}.")
            else:
                console.print(f"Not understood; {why}.")
            texts[key] = _typed()
        answers = complete(texts)
        keep(texts_of(answers))
    return answers


def _typed() -> str:
    answer: str = click.prompt(">", default="", show_default=False, prompt_suffix=" ")
    return answer


def _yes(question: str) -> bool:
    return click.confirm(question, default=True)


def _print_verdict(console: Console, result: Consultation, better: tuple[Change, ...]) -> None:
    judgement, unit = result.judgement, result.settings.display.unit
    console.print(f"\n{verdict_sentence(judgement)}", style="bold")
    if not judgement.holds and result.fails_at is not None:
        day = 1 + (result.fails_at.date() - result.rows[0].time.date()).days
        console.print(f"The air first gets too warm on hot day {day}, at {result.fails_at:%H:%M}.")
    console.print(supply_sentence(judgement))
    stage = result.settings.stages[result.settings.chamber.stage]
    console.print(
        f"Cooling starts at {words.temperature(stage.cut_in, unit)} and stops at "
        f"{words.temperature(stage.cut_out, unit)}."
    )
    mend = None if judgement.holds else cheapest_mend(better)
    if mend is not None:
        console.print(
            people.bold("\nCheapest change that makes it work:").append(
                f" {mend.what} ({mend.effort})."
            )
        )
    elif judgement.holds and better:
        console.print(f"\n{changes_heading(holds_already=True)}", style="bold")
    elif not judgement.holds:
        if better:
            console.print(people.bold("\nNo single change is enough.").append(" What brings most:"))
        elif judgement.verdict is not Verdict.NEEDS_HEAT:
            console.print(f"\n{no_change_sentence(judgement)}")
    for number, change in enumerate((each for each in better if each is not mend), start=1):
        sentence = change_sentence(change, holds_already=judgement.holds)
        console.print(f"{number}. {sentence} ({change.effort})")
    for caution in cautions_of(result.answers, judgement.build.plant):
        console.print(f"! {caution}")
    assumed = [key for key in result.answers.of if result.answers.assumed(key)]
    if assumed:
        names = ", ".join(key.replace("_", " ") for key in assumed)
        console.print(f"\nAssumed, and marked so in the file: {names}.", style="dim")


def _print_written(console: Console, file: Path) -> None:
    console.print(f"\nWritten: {file}", soft_wrap=True)
    console.print(
        f"Next: `coldpin plan {file}` shows it on a page where you can try changes; "
        f"`coldpin rehearse {file}` runs it through simulated days."
    )


def _document(file: Path, result: Consultation, better: tuple[Change, ...]) -> dict[str, Any]:
    judgement, fails_at = result.judgement, result.fails_at
    mend = None if judgement.holds else cheapest_mend(better)
    return {
        "file": str(file),
        "verdict": judgement.verdict.value,
        "sentence": verdict_sentence(judgement),
        "supply": supply_sentence(judgement),
        "fails_at": None if fails_at is None else fails_at.isoformat(),
        "packs_per_day": None
        if judgement.supply.packs_per_day is None
        else round(judgement.supply.packs_per_day, 2),
        "applied": [each.what for each in result.applied],
        "cheapest_mend": None if mend is None else mend.what,
        "changes": [
            {
                "key": change.key,
                "what": change.what,
                "effort": change.effort.value,
                "gain": round(change.gain, 4),
                "holds": change.holds,
            }
            for change in better
        ],
        "assumed": [key for key in result.answers.of if result.answers.assumed(key)],
        "cautions": list(cautions_of(result.answers, judgement.build.plant)),
    }
