"""The page: how the chamber is, what to do by when, what happened, and what can be done.

Every number is in the first answer, before any script runs; a script only keeps it fresh.
"""

from __future__ import annotations

import asyncio
import re
import secrets
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs, quote

from jinja2 import Environment, PackageLoader, select_autoescape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request as WebRequest
from starlette.responses import (
    HTMLResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import BaseRoute, Route

from controller.domain.json_text import json_text
from controller.domain.places import RUNTIME, records_path
from controller.domain.requests import FrozenThrough, LoggedSwap
from controller.domain.zones import local_time
from controller.history.figure_data import Span
from controller.log import Logger
from controller.lookout.broker.other_chambers import Retained
from controller.lookout.chamber_rows import rows_of
from controller.lookout.chambers import chambers_below, chambers_of_broker
from controller.lookout.pack_budget import budget_of, budget_words
from controller.lookout.page.access import SESSION_S, Access, TooSoonError
from controller.lookout.page.button_actions import (
    OLDEST_SWAP,
    Action,
    ActionContext,
    action_of,
    done_by_another,
    most_packs,
)
from controller.lookout.page.front import Front, front_of
from controller.lookout.page.guard import Guard, names_of
from controller.lookout.page.notice_services import NoticeSender, TestMessage, service_rows
from controller.lookout.page.picture import Pictures, View, neighbours, view_of
from controller.lookout.page.recent_events import recent_events, since_last_visit
from controller.lookout.readings import change_words
from controller.pictures.html import chart_style, part_script
from controller.pictures.request_answers import answer_words
from controller.pictures.words import moment
from controller.records.requests_file import REQUESTS, ask, request_of, swaps
from controller.records.snapshot import Snapshot
from controller.settings.foresight_of import freezer_packs_per_day
from controller.settings.load import Settings

MOST_CHANGES = 10
"""Pack changes that can be corrected or taken back on the page."""
MOST_KEYS = 1000
"""Keys of forms that are remembered, so that a form that is sent twice acts once."""
_log = Logger("coldpin.page")


@dataclass(frozen=True, slots=True, kw_only=True)
class PageContext:
    """What the page is about, and where it gets what it shows."""

    settings: Settings
    place: Path
    """The instance's state directory."""
    snapshot: Callable[[], Snapshot]
    access: Access
    notices: NoticeSender | None = None
    """What sends notices; None: nothing does."""
    others: Callable[[], dict[str, Retained]] | None = None
    """What a broker knows of every chamber; None: those of this machine are listed."""
    extra_routes: Sequence[BaseRoute] = field(default=())


def page_app(context: PageContext) -> Starlette:
    """Return the page as an application.

    Args:
        context: What it is about.
    """
    page = _Page(context)
    routes: list[BaseRoute] = [
        Route("/", page.front, methods=["GET"]),
        Route("/now", page.now, methods=["GET"]),
        Route("/chambers", page.chambers, methods=["GET"]),
        Route("/picture", page.picture, methods=["GET"]),
        Route("/sign-in", page.sign_in, methods=["POST"]),
        Route("/sign-out", page.sign_out, methods=["POST"]),
        Route("/test-message", page.test_message.send, methods=["POST"]),
        Route("/do/{what}", page.confirm, methods=["GET"]),
        Route("/do/{what}", page.do, methods=["POST"]),
        Route("/page.css", page.style, methods=["GET"]),
        Route("/page.js", page.script, methods=["GET"]),
        Route("/app.webmanifest", page.manifest, methods=["GET"]),
        Route("/icon.svg", page.icon, methods=["GET"]),
        *context.extra_routes,
    ]
    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, names=names_of(context.settings))],
        exception_handlers={HTTPException: page.refused, Exception: _failed},
    )


def cookie_names(instance: str) -> tuple[str, str]:
    """Return the names of the cookies of an instance: of its session, and of the last visit.

    Cookies know no port, so that two chambers on one machine would overwrite each other's.
    """
    own = quote(instance, safe="")
    return f"session-{own}", f"last_visit-{own}"


class _Page:
    def __init__(self, context: PageContext) -> None:
        self._context = context
        self._environment = Environment(
            loader=PackageLoader("controller.lookout.page", "files"),
            autoescape=select_autoescape(default=True),
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.filters["unbroken"] = _unbroken
        settings = context.settings
        self._zone = settings.site.zone()
        self._session_cookie, self._visit_cookie = cookie_names(context.place.name)
        self._records = records_path(settings.records.path, context.place)
        self._requests = context.place / REQUESTS
        self._sent: OrderedDict[str, int] = OrderedDict()
        self._acting = asyncio.Lock()
        self._pictures = Pictures(settings, self._records, self._requests)
        self.test_message = TestMessage(
            context.notices,
            may_act=lambda request, token: context.access.may_act(self._session(request), token),
            read_form=_form,
            render=lambda outcome: self._rendered("test-message.html", outcome=outcome),
        )

    # --- looking

    def front(self, request: WebRequest) -> Response:
        if not self._may_read(request):
            return self._sign_in_page("This page needs the password.", 401)
        context, settings = self._context, self._context.settings
        snapshot = context.snapshot()
        view = self._view(request, snapshot)
        now = snapshot.at_utc
        local = local_time(now, self._zone)
        _, remember = since_last_visit(request.cookies.get(self._visit_cookie), now)
        session = self._session(request)
        token = context.access.token(session)
        front = self._front(snapshot)
        logged = self._logged()
        correct = _corrected(request, logged)
        packs = settings.plant_spec().packs.in_reservoir
        answer = self._rendered(
            "front.html",
            **self._live(request, snapshot, front, signed_in=token is not None),
            spans=[(each.value, each.words) for each in Span],
            span=view.span.value,
            whole=view.whole,
            query=request.url.query,
            picture=self._pictures.drawn(snapshot, view),
            windows=neighbours(view),
            made=moment(local, local, far=False),
            earliest=f"{local - OLDEST_SWAP:%Y-%m-%dT%H:%M}",
            latest=f"{local:%Y-%m-%dT%H:%M}",
            stages=sorted(settings.stages),
            stage=settings.chamber.stage if snapshot.status is None else snapshot.status.stage,
            packs=packs if correct is None else correct.packs,
            through=FrozenThrough.of(None if correct is None else correct.frozen_through).value,
            most_packs=most_packs(settings),
            correct="" if correct is None else correct.request,
            correct_words="" if correct is None else change_words(correct, local),
            changes=[
                (swap.request, change_words(swap, local))
                for swap in reversed(logged)
                if swap.request
            ],
            services=service_rows(context.notices, local),
            token=token or "",
            who=context.access.who(session),
            has_password=context.access.has_secret,
        )
        answer.set_cookie(
            self._visit_cookie, remember, max_age=int(SESSION_S), httponly=True, samesite="strict"
        )
        return answer

    def now(self, request: WebRequest) -> Response:
        """Send what changes by itself, for a page that keeps itself fresh."""
        self._must_read(request)
        snapshot = self._context.snapshot()
        front = self._front(snapshot)
        session = self._session(request)
        signed_in = self._context.access.token(session) is not None
        answer = self._rendered(
            "live.html", **self._live(request, snapshot, front, signed_in=signed_in)
        )
        answer.headers["x-state"] = front.headline.state.value
        return answer

    def _live(
        self, request: WebRequest, snapshot: Snapshot, front: Front, *, signed_in: bool
    ) -> dict[str, object]:
        now = snapshot.at_utc
        since, _ = since_last_visit(request.cookies.get(self._visit_cookie), now)
        local = local_time(now, self._zone)
        return {
            "front": front,
            "state": front.headline.state.value,
            "signed_in": signed_in,
            "since": None if since is None else moment(since, local, far=False),
            "events": [] if since is None else recent_events(
                self._records, self._requests, since=since, now=now, zone=self._zone
            ),
            "answer": self._answer(request, local),
        }  # fmt: skip

    def _logged(self) -> tuple[LoggedSwap, ...]:
        """Return the pack changes that can be corrected or taken back, the newest last."""
        try:
            return tuple(sorted(swaps(self._requests), key=lambda swap: swap.at)[-MOST_CHANGES:])
        except OSError:
            return ()

    def _front(self, snapshot: Snapshot) -> Front:
        return front_of(snapshot, self._context.settings, self._zone)

    def _answer(self, request: WebRequest, now: datetime) -> str:
        """Return what became of the request that the address names; empty: it names none."""
        text = request.query_params.get("done", "")
        if not (text.isascii() and text.isdigit() and len(text) < 12):
            return ""
        try:
            done = request_of(self._requests, int(text))
        except OSError:
            return ""
        return "" if done is None else answer_words(done, now)

    def chambers(self, request: WebRequest) -> Response:
        """List every chamber, the one to go to first at the front."""
        if not self._may_read(request):
            return self._sign_in_page("This page needs the password.", 401)
        context, settings = self._context, self._context.settings
        now = datetime.now(UTC)
        local = chambers_below(context.place.parent, run=RUNTIME, now=now)
        chambers = local
        if context.others is not None:
            ports = {chamber.instance: chamber.port for chamber in local}
            known = chambers_of_broker(context.others(), now=now)
            chambers = [replace(each, port=ports.get(each.instance)) for each in known]
        per_day = freezer_packs_per_day(settings)
        rows = rows_of(chambers, now=now, zone=self._zone, unit=settings.display.unit)
        return self._rendered(
            "chambers.html",
            rows=rows,
            host=request.url.hostname,
            from_broker=context.others is not None,
            made=moment(now, local_time(now, self._zone), far=False),
            budgets=[]
            if per_day is None
            else [
                budget_words(budget_of(chambers, packs_per_day=per_day, now=now, hours=hours),
                             now=local_time(now, self._zone))
                for hours in (24.0, 48.0)
            ],
        )  # fmt: skip

    def picture(self, request: WebRequest) -> Response:
        """Send the picture alone, for a page that keeps itself fresh."""
        self._must_read(request)
        snapshot = self._context.snapshot()
        return HTMLResponse(self._pictures.drawn(snapshot, self._view(request, snapshot)))

    def _view(self, request: WebRequest, snapshot: Snapshot) -> View:
        asked = request.query_params
        try:
            return view_of(
                asked.get("span", ""),
                asked.get("since", ""),
                asked.get("until", ""),
                now=snapshot.at_utc,
                zone=self._zone,
            )
        except ValueError as error:
            raise HTTPException(400, str(error)) from None

    # --- acting

    async def sign_in(self, request: WebRequest) -> Response:
        form = await _form(request)
        # uvicorn 0.30 names nobody where a proxy passes on a client of this machine itself
        peer = (request.client.host if request.client else None) or ""
        try:
            session = await run_in_threadpool(
                self._context.access.enter, form.get("password", ""), form.get("who", ""), peer=peer
            )
        except TooSoonError as error:
            text = f"Too many wrong passwords: wait {error.wait_s:.0f} s."
            return self._sign_in_page(text, 429, error.wait_s)
        if session is None:
            _log.warning("wrong_password", peer=peer)
            return self._sign_in_page("Wrong password.", 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            self._session_cookie, session, max_age=int(SESSION_S), httponly=True, samesite="strict",
            secure=request.url.scheme == "https",
        )  # fmt: skip
        return answer

    async def sign_out(self, request: WebRequest) -> Response:
        form = await _form(request)
        session = self._session(request)
        if session is not None and self._context.access.may_act(session, form.get("token", "")):
            self._context.access.leave(session)
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(self._session_cookie)
        return answer

    def confirm(self, request: WebRequest) -> Response:
        """Ask once more before anything is done: a phone in a pocket presses buttons too."""
        token = self._context.access.token(self._session(request))
        if token is None:
            return self._sign_in_page("Sign in to do that.", 401)
        action, context = self._action(request, dict(request.query_params))
        already = done_by_another(action, context.requests, context.now)
        return self._rendered(
            "confirm.html",
            action=action,
            already=already,
            token=token,
            key=secrets.token_urlsafe(12),
        )

    async def do(self, request: WebRequest) -> Response:
        form = await _form(request)
        access, session = self._context.access, self._session(request)
        if not access.may_act(session, form.get("token", "")):
            raise HTTPException(403, "this form is not from a page that you signed in to; go back")
        async with self._acting:  # a second press waits until the first one is written
            return await self._acted(request, form)

    async def _acted(self, request: WebRequest, form: dict[str, str]) -> Response:
        key = form.get("key", "")
        if key and key in self._sent:  # the button was pressed twice
            return RedirectResponse(f"/?done={self._sent[key]}", 303)
        action, context = self._action(request, form)
        already = done_by_another(action, context.requests, context.now)
        if already:
            raise HTTPException(409, already)
        try:
            number = await run_in_threadpool(
                ask,
                self._requests,
                action.payload,
                who=context.who or "page",
                instead_of=action.instead_of,
            )
        except OSError as error:
            _log.error("request_not_written", error=str(error))
            raise HTTPException(503, "the request cannot be written; nothing was done") from None
        if key:
            self._sent[key] = number
            while len(self._sent) > MOST_KEYS:
                self._sent.popitem(last=False)
        return RedirectResponse(f"/?done={number}", 303)

    def _action(self, request: WebRequest, form: dict[str, str]) -> tuple[Action, ActionContext]:
        snapshot = self._context.snapshot()
        session = self._session(request)
        context = ActionContext(
            settings=self._context.settings,
            now=local_time(datetime.now(UTC), self._zone),
            last_swap=snapshot.last_swap,
            logged=self._logged(),
            requests=snapshot.requests,
            who=self._context.access.who(session),
        )
        try:
            return action_of(request.path_params["what"], form, context), context
        except ValueError as error:
            raise HTTPException(400, str(error)) from None

    # --- files

    def style(self, _request: WebRequest) -> Response:
        return _file("page.css", "text/css", chart_style())

    def script(self, _request: WebRequest) -> Response:
        return _file("page.js", "text/javascript", part_script())

    def icon(self, _request: WebRequest) -> Response:
        return _file("icon.svg", "image/svg+xml")

    def manifest(self, _request: WebRequest) -> Response:
        """Say what the chamber is called on a phone's home screen."""
        name = self._context.settings.chamber.name
        icon = {"src": "/icon.svg", "sizes": "any", "type": "image/svg+xml"}
        return Response(
            json_text(
                {
                    "name": name,
                    "short_name": name[:24],
                    "start_url": "/",
                    "display": "standalone",
                    "background_color": "#fbfaf7",
                    "theme_color": "#00664b",
                    "icons": [icon],
                }
            ),
            media_type="application/manifest+json",
        )

    # --- small things

    async def refused(self, request: WebRequest, error: Exception) -> Response:
        """Say why, as a page with a way back for people and as a line for programs."""
        assert isinstance(error, HTTPException)
        if "text/html" in request.headers.get("accept", ""):
            answer: Response = self._rendered(
                "refused.html", error.status_code, message=error.detail
            )
            answer.headers.update(error.headers or {})
            return answer
        return PlainTextResponse(f"{error.detail}\n", error.status_code, headers=error.headers)

    def _session(self, request: WebRequest) -> str | None:
        return request.cookies.get(self._session_cookie)

    def _may_read(self, request: WebRequest) -> bool:
        if self._context.settings.lookout.reading == "open":
            return True
        return self._context.access.token(self._session(request)) is not None

    def _must_read(self, request: WebRequest) -> None:
        if not self._may_read(request):
            raise HTTPException(401, "this needs the password")

    def _sign_in_page(self, message: str, status: int, wait_s: float | None = None) -> Response:
        answer = self._rendered(
            "sign-in.html",
            status,
            message=message,
            has_password=self._context.access.has_secret,
        )
        if wait_s is not None:
            answer.headers["retry-after"] = str(int(wait_s) + 1)
        return answer

    def _rendered(self, name: str, status: int = 200, /, **values: object) -> HTMLResponse:
        return HTMLResponse(
            self._environment.get_template(name).render(**values), status_code=status
        )


def _corrected(request: WebRequest, logged: Sequence[LoggedSwap]) -> LoggedSwap | None:
    """Return the pack change that the address asks to correct; None: it names none that counts."""
    number = request.query_params.get("correct", "")
    return next((each for each in logged if each.request and str(each.request) == number), None)


def _unbroken(text: str) -> str:
    """Return a text in which no line ends between a number and its unit."""
    return re.sub(r"(?<=\d) (?=°|%|h\b|min\b|s\b|packs?\b)", "\N{NO-BREAK SPACE}", text)


async def _form(request: WebRequest) -> dict[str, str]:
    """Return the fields of a form, each once.

    Raises:
        HTTPException: It is no form.
    """
    try:
        fields = parse_qs((await request.body()).decode(), max_num_fields=20)
    except ValueError:
        raise HTTPException(400, "this is not a form") from None
    return {name: values[0] for name, values in fields.items()}


def _file(name: str, media_type: str, more: str = "") -> Response:
    text = (files("controller.lookout.page") / "files" / name).read_text(encoding="utf-8")
    return PlainTextResponse(text + more, media_type=media_type)


async def _failed(request: WebRequest, error: Exception) -> Response:
    """Tell the log what went wrong, and the browser only that something did."""
    _log.error("page_failed", path=request.url.path, error=f"{type(error).__name__}: {error}")
    return PlainTextResponse("something went wrong here; the log says what\n", 500)
