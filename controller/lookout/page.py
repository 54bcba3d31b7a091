"""The page: how the chamber is, when packs must be changed, what happened, and what can be done.

Every number is in the first answer, before any script runs; scripts only keep it fresh and draw.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs

import structlog
from jinja2 import Environment, PackageLoader, select_autoescape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse
from starlette.responses import Response as Answer
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from controller.core.state import EventKind
from controller.lookout.access import SESSION_S, Access
from controller.lookout.doings import Doing, doing_of
from controller.lookout.history import Span, history_of
from controller.lookout.snapshot import Snapshot
from controller.lookout.view import view_of
from controller.pictures.figures import chamber_figure
from controller.pictures.html import charting_script
from controller.pictures.words import moment
from controller.records.places import records_path
from controller.records.reader import read_events
from controller.records.requests import REQUESTS, ask_now
from controller.settings.load import Settings

MOST_BODY = 4096
MOST_EVENTS = 30
WORTH_TELLING = {EventKind.RAISED.value, EventKind.CLEARED.value, EventKind.TRIP.value}
"""Kinds of event that a person wants to read of; phases come and go by the hundred."""
SESSION, LAST_LOOK = "session", "last_look"
SPANS = {span.value: span for span in Span}
HEADERS = {
    # the charting library writes a style element of its own
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data:; connect-src 'self'; form-action 'self'; "
        "frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cache-control": "no-store",
}

_log = structlog.get_logger("coldpin.page")


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """What the page is about, and whom it asks."""

    settings: Settings
    place: Path
    """The instance's state directory."""
    look: Callable[[], Snapshot]
    access: Access
    extra_routes: Sequence[BaseRoute] = field(default=())


def page_app(house: House) -> Starlette:
    """Return the page as an application.

    Args:
        house: What it is about.
    """
    page = _Page(house)
    routes: list[BaseRoute] = [
        Route("/", page.front, methods=["GET"]),
        Route("/now.json", page.now, methods=["GET"]),
        Route("/figure.json", page.figure, methods=["GET"]),
        Route("/enter", page.enter, methods=["POST"]),
        Route("/leave", page.leave, methods=["POST"]),
        Route("/do/{what}", page.confirm, methods=["GET"]),
        Route("/do/{what}", page.do, methods=["POST"]),
        Route("/page.css", page.style, methods=["GET"]),
        Route("/page.js", page.script, methods=["GET"]),
        Route("/charting.js", page.charting, methods=["GET"]),
        *house.extra_routes,
    ]
    return Starlette(
        routes=routes,
        middleware=[Middleware(_Guard, names=_names(house.settings))],
        exception_handlers={HTTPException: _refused, Exception: _failed},
    )


class _Page:
    def __init__(self, house: House) -> None:
        self._house = house
        self._environment = Environment(
            loader=PackageLoader("controller.lookout", "files"),
            autoescape=select_autoescape(default=True),
        )
        settings = house.settings
        self._zone = settings.site.zone()
        self._records = records_path(settings.records.path, house.place)
        self._charting: str | None = None

    # --- looking

    def front(self, request: Request) -> Answer:
        if not self._may_look(request):
            return self._entrance("Looking needs the secret.", 401)
        span = SPANS.get(request.query_params.get("span", ""), Span.DAY)
        return self._front(request, span, self._told(request))

    def _front(self, request: Request, span: Span, told: str) -> Answer:
        house = self._house
        snapshot = house.look()
        settings = house.settings
        last_look = _instant(request.cookies.get(LAST_LOOK), snapshot.taken_utc)
        answer = self._rendered(
            "front.html",
            view=view_of(
                snapshot,
                chamber=settings.chamber.name,
                unit=settings.display.unit,
                zone=self._zone,
            ),
            events=self._events(last_look, snapshot.taken_utc),
            since=moment(
                last_look.isoformat(), snapshot.taken_utc.astimezone(self._zone), far=False
            ),
            spans=[(each.value, each.words) for each in Span],
            span=span.value,
            stages=sorted(settings.stages),
            packs=settings.plant_spec().packs.in_reservoir,
            entered=house.access.token(request.cookies.get(SESSION)) is not None,
            token=house.access.token(request.cookies.get(SESSION)) or "",
            has_secret=house.access.has_secret,
            told=told,
        )
        answer.set_cookie(
            LAST_LOOK, str(int(snapshot.taken_utc.timestamp())), max_age=int(SESSION_S),
            httponly=True, samesite="strict",
        )  # fmt: skip
        return answer

    def now(self, request: Request) -> Answer:
        self._must_look(request)
        settings = self._house.settings
        view = view_of(
            self._house.look(),
            chamber=settings.chamber.name,
            unit=settings.display.unit,
            zone=self._zone,
        )
        return JSONResponse(view.document())

    def figure(self, request: Request) -> Answer:
        self._must_look(request)
        span = SPANS.get(request.query_params.get("span", ""), Span.DAY)
        settings = self._house.settings
        history = history_of(
            self._records,
            self._house.place / REQUESTS,
            snapshot=self._house.look(),
            span=span,
            unit=settings.display.unit,
            zone=self._zone,
        )
        return JSONResponse(chamber_figure(history))

    def _events(self, since: datetime, now: datetime) -> list[tuple[str, str]]:
        local = now.astimezone(self._zone)
        try:
            events = read_events(self._records, since=since)
        except OSError:
            return []
        return [
            (
                moment(event.at.isoformat(), local, far=False),
                f"{_plain(event.kind)}: {_plain(event.name)} {event.detail}".strip(),
            )
            for event in reversed(events)
            if event.kind in WORTH_TELLING
        ][:MOST_EVENTS]

    # --- acting

    async def enter(self, request: Request) -> Answer:
        form = await _form(request)
        access = self._house.access
        wait_s = access.wait_s()
        if wait_s > 0.0:
            text = f"Too many wrong tries: wait {wait_s:.0f} s."
            return self._entrance(text, 429, wait_s)
        session = await run_in_threadpool(access.enter, form.get("secret", ""))
        if session is None:
            _log.warning("wrong_secret", peer=request.client.host if request.client else "")
            return self._entrance("That was not the secret.", 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            SESSION, session, max_age=int(SESSION_S), httponly=True, samesite="strict",
            secure=request.url.scheme == "https",
        )  # fmt: skip
        return answer

    async def leave(self, request: Request) -> Answer:
        form = await _form(request)
        session = request.cookies.get(SESSION)
        if session is not None and self._house.access.may_act(session, form.get("token", "")):
            self._house.access.leave(session)
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(SESSION)
        return answer

    def confirm(self, request: Request) -> Answer:
        """Ask once more before anything is done: a phone in a pocket presses buttons too."""
        doing = self._doing(request, dict(request.query_params))
        session = request.cookies.get(SESSION)
        token = self._house.access.token(session)
        if token is None:
            return self._entrance("Acting needs the secret.", 401)
        return self._rendered("confirm.html", doing=doing, token=token)

    async def do(self, request: Request) -> Answer:
        form = await _form(request)
        if not self._house.access.may_act(request.cookies.get(SESSION), form.get("token", "")):
            raise HTTPException(403, "this form is not from a page that you entered; go back")
        doing = self._doing(request, form)
        try:
            await run_in_threadpool(
                ask_now, self._house.place / REQUESTS, doing.kind, doing.payload, who="page"
            )
        except OSError as error:
            _log.error("request_not_written", error=str(error))
            raise HTTPException(503, "the request cannot be written; nothing was done") from None
        return RedirectResponse(f"/?told={doing.what}", 303)

    def _doing(self, request: Request, form: dict[str, str]) -> Doing:
        try:
            return doing_of(
                request.path_params["what"],
                form,
                settings=self._house.settings,
                now=datetime.now(UTC).astimezone(self._zone),
            )
        except ValueError as error:
            raise HTTPException(400, str(error)) from None

    def _told(self, request: Request) -> str:
        what = request.query_params.get("told", "")
        return (
            f"Asked for: {what}. The controller answers within a few ticks." if what in TOLD else ""
        )

    # --- files

    def style(self, _request: Request) -> Answer:
        return _file("page.css", "text/css")

    def script(self, _request: Request) -> Answer:
        return _file("page.js", "text/javascript")

    def charting(self, _request: Request) -> Answer:
        if self._charting is None:
            try:
                self._charting = charting_script()
            except OSError as error:
                raise HTTPException(404, str(error)) from None
        return PlainTextResponse(
            self._charting,
            media_type="text/javascript",
            headers={"cache-control": "private, max-age=86400"},
        )

    # --- small things

    def _may_look(self, request: Request) -> bool:
        if self._house.settings.lookout.reading == "open":
            return True
        return self._house.access.token(request.cookies.get(SESSION)) is not None

    def _must_look(self, request: Request) -> None:
        if not self._may_look(request):
            raise HTTPException(401, "looking needs the secret")

    def _entrance(self, told: str, status: int, wait_s: float | None = None) -> Answer:
        answer = self._rendered(
            "enter.html", told=told, has_secret=self._house.access.has_secret, status=status
        )
        if wait_s is not None:
            answer.headers["retry-after"] = str(int(wait_s) + 1)
        return answer

    def _rendered(self, name: str, *, status: int = 200, **values: object) -> HTMLResponse:
        return HTMLResponse(
            self._environment.get_template(name).render(**values), status_code=status
        )


TOLD = {"swap", "stage", "pause", "resume", "ack", "reset"}


class _Guard:
    """Refuses foreign host names, foreign origins and large bodies, before anything is looked at.

    A name that is not ours means that somebody's page made the browser come here (rebinding).
    """

    def __init__(self, app: ASGIApp, names: frozenset[str]) -> None:
        self._app = app
        self._names = names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: dict[str, object]) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))  # type: ignore[call-overload]
                present = {name for name, _ in headers}
                for name, value in HEADERS.items():
                    if name.encode() not in present:
                        headers.append((name.encode(), value.encode()))
                message["headers"] = headers
            await send(message)

        refusal = self._refusal(Request(scope))
        if refusal is not None:
            status, text = refusal
            await PlainTextResponse(text, status)(scope, receive, with_headers)  # type: ignore[arg-type]
            return
        await self._app(scope, receive, with_headers)  # type: ignore[arg-type]

    def _refusal(self, request: Request) -> tuple[int, str] | None:
        host = _without_port(request.headers.get("host", ""))
        if host not in self._names:
            return 421, "this machine is not known by that name; see [lookout] names"
        if request.method == "POST":
            origin = request.headers.get("origin")
            if origin is not None and _without_port(origin.partition("://")[2]) != host:
                return 403, "this form came from another site"
            length = request.headers.get("content-length", "0")
            if not length.isdigit() or int(length) > MOST_BODY:
                return 413, f"allowed: up to {MOST_BODY} bytes"
        return None


async def _form(request: Request) -> dict[str, str]:
    """Return the fields of a form, each once."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BODY:
            raise HTTPException(413, f"allowed: up to {MOST_BODY} bytes")
    try:
        fields = parse_qs(body.decode(), max_num_fields=20)
    except ValueError:
        raise HTTPException(400, "this is not a form") from None
    return {name: values[0] for name, values in fields.items()}


def _names(settings: Settings) -> frozenset[str]:
    own = settings.lookout
    return frozenset(
        name.lower() for name in ("localhost", "127.0.0.1", "[::1]", own.address, *own.names)
    )


def _without_port(host: str) -> str:
    host = host.lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def _instant(text: str | None, now: datetime) -> datetime:
    """Return when this browser looked last; a day ago where that is not known or is nonsense."""
    day_ago = now - timedelta(days=1)
    if text is None or not text.isdigit() or len(text) > 12:
        return day_ago
    at = datetime.fromtimestamp(int(text), UTC)
    return at if now - timedelta(days=30) < at <= now else day_ago


def _plain(word: str) -> str:
    return word.replace("_", " ")


def _file(name: str, media_type: str) -> Answer:
    text = (files("controller.lookout") / "files" / name).read_text(encoding="utf-8")
    return PlainTextResponse(text, media_type=media_type)


async def _refused(_request: Request, error: Exception) -> Answer:
    assert isinstance(error, HTTPException)
    return PlainTextResponse(f"{error.detail}\n", error.status_code, headers=error.headers)


async def _failed(request: Request, error: Exception) -> Answer:
    """Tell the log what went wrong, and the browser only that something did."""
    _log.error("page_failed", path=request.url.path, error=f"{type(error).__name__}: {error}")
    return PlainTextResponse("something went wrong here; the log says what\n", 500)
