"""The application: a form of the questions, and what came of the answers.

Without scripts the form has a button and the whole page comes anew; with them a change of a control
fetches the result alone. Nothing is written but by Save.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode

from jinja2 import Environment, PackageLoader, select_autoescape
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from controller.errors import InputFileError, PhysicsError, SettingsError
from controller.pictures.html import chart_style, part_script
from controller.planning.answers import UNKNOWN, Answers, OwnFile, complete, texts_in, texts_of
from controller.planning.changes import best_changes
from controller.planning.configuration import settings_of
from controller.planning.consultation import Consultation, OutdatedError, consult, sketch
from controller.planning.own_file import own_file
from controller.planning.page.view import (
    BetterList,
    changes_of,
    controls_of,
    preview_of,
    result_of,
)
from controller.planning.questions import every_question

MOST_REMEMBERED = 24
"""Results that are kept, so that going back to a setting is at once."""
MOST_PAGES = 100
"""Open pages whose newest question is kept; of a page forgotten, no work ends early."""
DEFAULT_PRICE = 0.30
_TYPES = {"css": "text/css", "js": "text/javascript"}


@dataclass(frozen=True, slots=True)
class Turn:
    """Which question of which open page; a later one of the same page makes it outdated."""

    page: str
    number: int


@dataclass(slots=True)
class Planner:
    """What the page works on."""

    file: Path
    start: Mapping[str, str]
    """Answers that the page begins with."""
    write: Callable[[Path, str], None]
    """Writes a file as a whole; raises OSError where it cannot."""
    start_changes: tuple[str, ...] = ()
    own: OwnFile | None = None
    """The file as a person wrote it; None: it is written from answers alone."""
    read: Callable[[Path], str] | None = None
    """Reads it again before Save, every byte of it."""
    _results: OrderedDict[str, Consultation] = field(default_factory=OrderedDict)
    _changes: OrderedDict[str, BetterList] = field(default_factory=OrderedDict)
    _work: threading.Lock = field(default_factory=threading.Lock)
    _newest: OrderedDict[str, int] = field(default_factory=OrderedDict)
    """The number of each page's newest question."""
    _turns: threading.Lock = field(default_factory=threading.Lock)

    def consultation(self, answers: Answers, *, turn: Turn | None = None) -> Consultation:
        """Return what came of the answers, from memory where they were asked before.

        Args:
            answers: The answers.
            turn: A later one of the same page ends the work. None: nothing ends it.

        Raises:
            OutdatedError: A later question came.
            SettingsError: The answers make no configuration that can be used.
            PhysicsError: A figure outside the range of the formulas.
        """
        key = _key(answers)
        with self._work:
            if self._is_outdated(turn):
                raise OutdatedError
            if key not in self._results:
                self._results[key] = consult(answers, is_outdated=lambda: self._is_outdated(turn))
                _forget(self._results)
            self._results.move_to_end(key)
            return self._results[key].for_answers(answers)

    def changes(self, answers: Answers, *, turn: Turn | None = None) -> BetterList:
        """Return what to change first.

        Raises:
            OutdatedError: A later question came.
            SettingsError: The answers make no configuration that can be used.
            PhysicsError: A figure outside the range of the formulas.
        """
        result, key = self.consultation(answers, turn=turn), _key(answers)
        with self._work:
            if self._is_outdated(turn):
                raise OutdatedError
            if key not in self._changes:
                judgement = result.judgement
                self._changes[key] = changes_of(best_changes(judgement), judgement.verdict)
                _forget(self._changes)
            return self._changes[key]

    def version(self) -> str:
        """Return what stands for the file as an open page knows it; empty: there is none."""
        content = self.own.content if self.own is not None else self._content()
        return "" if content is None else sha256(content.encode()).hexdigest()

    def _content(self) -> str | None:
        """Return what the file says now, None where it is not there or no text."""
        if self.read is None or not self.file.exists():
            return None
        try:
            return self.read(self.file)
        except InputFileError:
            return None

    def begin_with(self, own: OwnFile) -> None:
        """Take a file as it is now."""
        with self._work:
            self.own = own
            self._results.clear()
            self._changes.clear()

    def take(self, turn: Turn) -> bool:
        """Return whether a question is its page's newest; from then on it ends those before it."""
        with self._turns:
            if self._is_outdated(turn):
                return False
            self._newest[turn.page] = turn.number
            self._newest.move_to_end(turn.page)
            _forget(self._newest, MOST_PAGES)
            return True

    def _is_outdated(self, turn: Turn | None) -> bool:
        return turn is not None and turn.number < self._newest.get(turn.page, turn.number)


def _forget(kept: OrderedDict[str, Any], most: int = MOST_REMEMBERED) -> None:
    while len(kept) > most:
        kept.popitem(last=False)


def _key(answers: Answers) -> str:
    return repr((sorted((key, each.text) for key, each in answers.of.items()), answers.changes))


@dataclass(frozen=True, slots=True)
class PlanQuery:
    """What a request says."""

    answers: Answers
    price: float
    turn: Turn
    link: str
    """The same as the query of an address, which leads back to it."""
    version: str | None = None
    """`Planner.version` when its page was made; None: it does not say."""


def plan_query_of(
    form: Mapping[str, list[str]], planner: Planner, *, whole: bool = False
) -> PlanQuery:
    """Return what a form says; without one, what the page begins with.

    Args:
        form: The fields of the form.
        planner: What the page works on.
        whole: Whether the controls are shown anew, so that usual answers may follow others.
    """
    keys = [question.key for question in every_question()]
    if not any(key in form for key in keys):
        texts, changes = dict(planner.start), planner.start_changes
    else:
        texts = {key: form[key][0][:80] for key in keys if form.get(key, [""])[0].strip()}
        texts |= {key: UNKNOWN for key in form.get("unknown", []) if key in keys}
        changes = tuple(dict.fromkeys([*form.get("changes", []), *form.get("apply", [])]))
    undone = set(form.get("undo", []))
    changes = tuple(each[:40] for each in changes if each not in undone)[:20]
    texts = _given(texts, form.get("usual", []), planner, whole=whole)
    answers = complete(texts, changes, planner.own)
    price = _number(form.get("price", [""])[0], DEFAULT_PRICE)
    link = urlencode(
        [*texts_of(answers).items(), *(("changes", each) for each in changes), ("price", price)]
    )
    turn = Turn(form.get("page", [""])[0][:20], int(_number(form.get("n", [""])[0], 0.0)))
    return PlanQuery(answers, price, turn, link, form.get("version", [None])[0])


def _given(
    texts: dict[str, str], usual: list[str], planner: Planner, *, whole: bool
) -> dict[str, str]:
    """Return the answers without usual ones that the page put there and nobody touched.

    Where the controls stay as they are, only those that the other answers still bring are left out:
    what is shown is what is rehearsed and saved.
    """
    shown = dict(each.partition("=")[::2] for each in usual)
    given = {key: text for key, text in texts.items() if shown.get(key) != text}
    if whole:
        return given
    answers = complete(given, (), planner.own)
    return {
        key: text
        for key, text in texts.items()
        if key in given or key not in answers.of or answers.of[key].text != text
    }


def _number(text: str, otherwise: float) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return otherwise
    return value if 0.0 <= value <= 1e15 else otherwise


@dataclass(slots=True)
class Pages:
    """The answers to requests."""

    planner: Planner
    templates: Environment

    def whole(self, request: Request) -> Response:
        """Return the page: the form, and what came of the answers."""
        planner = self.planner
        query = plan_query_of(parse_qs(request.url.query), planner, whole=True)
        result, trouble, better = None, "", None
        try:
            result = result_of(planner.consultation(query.answers), query.price)
            if "better" in request.query_params:
                better = planner.changes(query.answers)
        except (SettingsError, PhysicsError) as error:
            trouble = str(error)
        return self._html(
            "plan.html",
            controls=controls_of(query.answers),
            price=query.price,
            result=result,
            trouble=trouble,
            better=better,
            file=planner.file,
            backup=backup_of(planner.file),
            own=planner.own is not None,
            version=planner.version(),
            exists=planner.file.exists(),
            saved=request.query_params.get("saved"),
            refused=request.query_params.get("refused"),
            style=Markup(chart_style()),  # noqa: S704 - a file of the package
        )

    def sketch(self, request: Request) -> Response:
        """Return a first picture, or nothing where a later question came."""
        return self._part(request, self._sketch)

    def result(self, request: Request) -> Response:
        """Return the verdict, or nothing where a later question came."""
        return self._part(request, self._result)

    def better(self, request: Request) -> Response:
        """Return what to change first, or nothing where a later question came."""
        return self._part(request, self._better, trouble=False)

    async def save(self, request: Request) -> Response:
        """Write the configuration, and lead back to the page."""
        sent = (await request.body()).decode("utf-8", "replace")
        form = parse_qs(sent, keep_blank_values=True)
        query = plan_query_of(form, self.planner)
        return await run_in_threadpool(_save, self.planner, query, replace="replace" in form)

    def _part(
        self, request: Request, of: Callable[[PlanQuery], Response], *, trouble: bool = True
    ) -> Response:
        """Return a part of the page.

        Args:
            request: Its query says which answers.
            of: Makes the part.
            trouble: Whether answers that make no chamber are reported here; once is enough.
        """
        query = plan_query_of(parse_qs(request.url.query), self.planner)
        if not self.planner.take(query.turn):
            return Response(status_code=204)
        try:
            return of(query)
        except OutdatedError:
            return Response(status_code=204)
        except (SettingsError, PhysicsError) as error:
            return self._html("result.html", trouble=str(error) if trouble else "")

    def _sketch(self, query: PlanQuery) -> Response:
        shown = preview_of(sketch(query.answers))
        return self._html("sketch.html", shown=shown, problems=query.answers.problems)

    def _result(self, query: PlanQuery) -> Response:
        consultation = self.planner.consultation(query.answers, turn=query.turn)
        shown = result_of(consultation, query.price)
        return self._html("result.html", result=shown, problems=query.answers.problems)

    def _better(self, query: PlanQuery) -> Response:
        better = self.planner.changes(query.answers, turn=query.turn)
        return self._html("better.html", better=better)

    def _html(self, template: str, **values: object) -> Response:
        return HTMLResponse(self.templates.get_template(template).render(values))


def app_of(planner: Planner) -> Starlette:
    """Return the application; a `Guard` before it bounds the length of what is sent."""
    pages = Pages(
        planner,
        Environment(
            loader=PackageLoader("controller.planning.page", "files"),
            autoescape=select_autoescape(default=True, default_for_string=True),
            trim_blocks=True,
            lstrip_blocks=True,
        ),
    )
    return Starlette(
        routes=[
            Route("/", pages.whole),
            Route("/sketch", pages.sketch),
            Route("/result", pages.result),
            Route("/better", pages.better),
            Route("/save", pages.save, methods=["POST"]),
            Route("/plan.css", _file("plan.css")),
            Route("/plan.js", _file("plan.js", part_script())),
        ]
    )


def _save(planner: Planner, query: PlanQuery, *, replace: bool) -> Response:
    if query.answers.problems:
        return RedirectResponse(f"/?{query.link}&refused=answers", 303)
    own = query.answers.own
    if own is None and planner.file.exists() and not replace:
        return RedirectResponse(f"/?{query.link}&refused=exists", 303)
    if query.version not in {None, planner.version()}:  # another window saved, say
        return RedirectResponse(f"/?{query.link}&refused=outdated", 303)
    try:
        text = planner.consultation(query.answers).text
    except (SettingsError, PhysicsError):
        return RedirectResponse(f"/?{query.link}&refused=chamber", 303)
    try:
        if own is None:
            planner.write(planner.file, text)
            planner.start, planner.start_changes = texts_of(query.answers), query.answers.changes
            return RedirectResponse(f"/?{query.link}&saved=1", 303)
        return _save_own(planner, own, text, query)
    except OSError:
        return RedirectResponse(f"/?{query.link}&refused=disk", 303)


def _save_own(planner: Planner, own: OwnFile, text: str, query: PlanQuery) -> Response:
    """Write a person's file anew, what it was beside it; then begin with what it says now."""
    if not _is_unchanged(planner, own):
        return RedirectResponse(f"/?{query.link}&refused=changed", 303)
    if text == own.content:
        return RedirectResponse(f"/?{query.link}&refused=same", 303)
    planner.write(backup_of(planner.file), own.content)
    planner.write(planner.file, text)
    planner.begin_with(own_file(text, own.folder, settings_of(text, own.folder), texts_in(text)))
    return RedirectResponse("/?saved=1", 303)


def _is_unchanged(planner: Planner, own: OwnFile) -> bool:
    if planner.read is None:
        return True
    try:
        return planner.read(planner.file) == own.content
    except InputFileError:  # taken away, or no text any more
        return False


def backup_of(file: Path) -> Path:
    """Return where a person's file is kept as it was before Save."""
    return file.with_name(f"{file.name}.before")


def _file(name: str, more: str = "") -> Callable[[Request], Response]:
    content = (files("controller.planning.page") / "files" / name).read_text(encoding="utf-8")
    kind = _TYPES[name.rpartition(".")[2]]
    return lambda _: Response(content + more, media_type=kind)
