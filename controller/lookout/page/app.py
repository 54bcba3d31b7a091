"""The page: how the chamber is, when packs must be changed, what happened, and what can be done.

Every number is in the first answer, before any script runs; scripts only keep it fresh and draw.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs, quote, urlencode

import structlog
from jinja2 import Environment, PackageLoader, select_autoescape
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
)
from starlette.responses import Response as Answer
from starlette.routing import BaseRoute, Route

from controller.domain.places import records_path
from controller.history.figure_data import (
    CLOSEST,
    FARTHEST,
    Span,
    Window,
    history_of,
    window_of,
)
from controller.lookout.broker.other_chambers import Retained
from controller.lookout.chamber_rows import rows_of
from controller.lookout.chambers import chambers_below, chambers_of_broker
from controller.lookout.pack_budget import budget_of, budget_words
from controller.lookout.page.access import SESSION_S, Access, TooSoonError
from controller.lookout.page.actions import OLDEST_SWAP, Doing, doing_of
from controller.lookout.page.guard import MOST_BODY, Guard, names_of
from controller.lookout.page.recent_events import happened, since_last_look
from controller.lookout.page.view import View, view_of
from controller.pictures.chamber_chart import chamber_chart
from controller.pictures.chart import draw
from controller.pictures.html import chart_style
from controller.pictures.words import moment
from controller.records.requests import REQUESTS, ask_now
from controller.records.snapshot import Snapshot
from controller.records.status_file import RUNTIME
from controller.settings.foresight_of import freezer_packs_per_day
from controller.settings.load import Settings

SPANS = {span.value: span for span in Span}
_log = structlog.get_logger("coldpin.page")


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """What the page is about, and whom it asks."""

    settings: Settings
    place: Path
    """The instance's state directory."""
    look: Callable[[], Snapshot]
    access: Access
    others: Callable[[], dict[str, Retained]] | None = None
    """What a broker told of every chamber; None: those of this machine are listed."""
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
        Route("/chambers", page.chambers, methods=["GET"]),
        Route("/picture", page.picture, methods=["GET"]),
        Route("/enter", page.enter, methods=["POST"]),
        Route("/leave", page.leave, methods=["POST"]),
        Route("/do/{what}", page.confirm, methods=["GET"]),
        Route("/do/{what}", page.do, methods=["POST"]),
        Route("/page.css", page.style, methods=["GET"]),
        Route("/page.js", page.script, methods=["GET"]),
        *house.extra_routes,
    ]
    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, names=names_of(house.settings))],
        exception_handlers={HTTPException: page.refused, Exception: _failed},
    )


def cookie_names(instance: str) -> tuple[str, str]:
    """Return the names of the cookies of an instance: of its session, and of the last visit.

    Cookies know no port, so that two chambers on one machine would overwrite each other's.
    """
    own = quote(instance, safe="")
    return f"session-{own}", f"last_visit-{own}"


class _Page:
    def __init__(self, house: House) -> None:
        self._house = house
        self._environment = Environment(
            loader=PackageLoader("controller.lookout.page", "files"),
            autoescape=select_autoescape(default=True),
        )
        settings = house.settings
        self._zone = settings.site.zone()
        self._session_cookie, self._visit_cookie = cookie_names(house.place.name)
        self._records = records_path(settings.records.path, house.place)

    # --- looking

    def front(self, request: Request) -> Answer:
        if not self._may_look(request):
            return self._entrance("Looking needs the secret.", 401)
        return self._front(request, self._told(request))

    def _front(self, request: Request, told: str) -> Answer:
        house = self._house
        snapshot = house.look()
        span, window, whole = self._window(request, snapshot)
        settings = house.settings
        now = snapshot.taken_utc
        local = now.astimezone(self._zone)
        since, remember = since_last_look(request.cookies.get(self._visit_cookie), now)
        session = request.cookies.get(self._session_cookie)
        token = house.access.token(session)
        answer = self._rendered(
            "front.html",
            view=self._view(snapshot),
            events=self._happened(since, now),
            since=moment(since, local, far=False),
            spans=[(each.value, each.words) for each in Span],
            span=span.value,
            whole=whole,
            query=request.url.query,
            picture=self._drawn(snapshot, window),
            windows=_neighbours(window, span),
            made=f"{local:%H:%M}",
            earliest=f"{local - OLDEST_SWAP:%Y-%m-%dT%H:%M}",
            latest=f"{local:%Y-%m-%dT%H:%M}",
            stages=sorted(settings.stages),
            stage=settings.chamber.stage if snapshot.status is None else snapshot.status.stage,
            packs=settings.plant_spec().packs.in_reservoir,
            entered=token is not None,
            token=token or "",
            who=house.access.who(session),
            has_secret=house.access.has_secret,
            told=told,
        )
        answer.set_cookie(
            self._visit_cookie, remember, max_age=int(SESSION_S), httponly=True, samesite="strict"
        )
        return answer

    def now(self, request: Request) -> Answer:
        self._must_look(request)
        snapshot = self._house.look()
        since, _ = since_last_look(request.cookies.get(self._visit_cookie), snapshot.taken_utc)
        return JSONResponse(
            {
                **self._view(snapshot).document(),
                "events": self._happened(since, snapshot.taken_utc),
            }
        )

    def _view(self, snapshot: Snapshot) -> View:
        settings = self._house.settings
        return view_of(
            snapshot,
            chamber=settings.chamber.name,
            unit=settings.display.unit,
            zone=self._zone,
        )

    def chambers(self, request: Request) -> Answer:
        """List every chamber, the one to go to first at the front."""
        if not self._may_look(request):
            return self._entrance("Looking needs the secret.", 401)
        house, settings = self._house, self._house.settings
        now = datetime.now(UTC)
        here = chambers_below(house.place.parent, run=RUNTIME, now=now)
        found = here
        if house.others is not None:
            ports = {chamber.instance: chamber.port for chamber in here}
            told = chambers_of_broker(house.others())
            found = [replace(each, port=ports.get(each.instance)) for each in told]
        per_day = freezer_packs_per_day(settings)
        rows = rows_of(found, now=now, zone=self._zone, unit=settings.display.unit)
        return self._rendered(
            "chambers.html",
            rows=rows,
            host=request.url.hostname,
            from_broker=house.others is not None,
            made=f"{now.astimezone(self._zone):%H:%M}",
            budgets=[]
            if per_day is None
            else [
                budget_words(budget_of(found, packs_per_day=per_day, now=now, hours=hours),
                             zone=self._zone)
                for hours in (24.0, 48.0)
            ],
        )  # fmt: skip

    def picture(self, request: Request) -> Answer:
        """Send the picture alone, for a page that keeps itself fresh."""
        self._must_look(request)
        snapshot = self._house.look()
        _, window, _ = self._window(request, snapshot)
        return HTMLResponse(self._drawn(snapshot, window))

    def _window(self, request: Request, snapshot: Snapshot) -> tuple[Span, Window, bool]:
        """Return the span asked for, its window, and whether it is the whole span up to now."""
        asked = request.query_params
        span = SPANS.get(asked.get("span", ""), Span.DAY)
        since, until = asked.get("since", ""), asked.get("until", "")
        try:
            window = window_of(span, since, until, now=snapshot.taken_utc, zone=self._zone)
        except ValueError as error:
            raise HTTPException(400, str(error)) from None
        return span, window, not since

    def _drawn(self, snapshot: Snapshot, window: Window) -> Markup:
        history, words = history_of(
            self._records,
            self._house.place / REQUESTS,
            snapshot=snapshot,
            window=window,
            unit=self._house.settings.display.unit,
            zone=self._zone,
        )
        svg = draw(chamber_chart(history, words))  # escapes its texts
        return Markup('<p class="extent">{}</p>').format(words) + Markup(svg)  # noqa: S704

    def _happened(self, since: datetime, now: datetime) -> list[tuple[str, str]]:
        requests = self._house.place / REQUESTS
        return happened(self._records, requests, since=since, now=now, zone=self._zone)

    # --- acting

    async def enter(self, request: Request) -> Answer:
        form = await _form(request)
        try:
            session = await run_in_threadpool(
                self._house.access.enter,
                form.get("secret", ""),
                form.get("who", ""),
                peer=request.client.host if request.client else "",
            )
        except TooSoonError as error:
            text = f"Too many wrong tries: wait {error.wait_s:.0f} s."
            return self._entrance(text, 429, error.wait_s)
        if session is None:
            _log.warning("wrong_secret", peer=request.client.host if request.client else "")
            return self._entrance("That was not the secret.", 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            self._session_cookie, session, max_age=int(SESSION_S), httponly=True, samesite="strict",
            secure=request.url.scheme == "https",
        )  # fmt: skip
        return answer

    async def leave(self, request: Request) -> Answer:
        form = await _form(request)
        session = request.cookies.get(self._session_cookie)
        if session is not None and self._house.access.may_act(session, form.get("token", "")):
            self._house.access.leave(session)
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(self._session_cookie)
        return answer

    def confirm(self, request: Request) -> Answer:
        """Ask once more before anything is done: a phone in a pocket presses buttons too."""
        token = self._house.access.token(request.cookies.get(self._session_cookie))
        if token is None:
            return self._entrance("Acting needs the secret.", 401)
        doing = self._doing(request, dict(request.query_params))
        return self._rendered("confirm.html", doing=doing, token=token)

    async def do(self, request: Request) -> Answer:
        form = await _form(request)
        access, session = self._house.access, request.cookies.get(self._session_cookie)
        if not access.may_act(session, form.get("token", "")):
            raise HTTPException(403, "this form is not from a page that you entered; go back")
        doing, who = self._doing(request, form), access.who(session)
        try:
            await run_in_threadpool(
                ask_now, self._house.place / REQUESTS, doing.payload,
                who=f"{who} (page)" if who else "page",
            )  # fmt: skip
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
        return _file("page.css", "text/css", chart_style())

    def script(self, _request: Request) -> Answer:
        return _file("page.js", "text/javascript")

    # --- small things

    async def refused(self, request: Request, error: Exception) -> Answer:
        """Say why, as a page with a way back for people and as a line for programs."""
        assert isinstance(error, HTTPException)
        if "text/html" in request.headers.get("accept", ""):
            answer: Answer = self._rendered(
                "refused.html", told=error.detail, status=error.status_code
            )
            answer.headers.update(error.headers or {})
            return answer
        return PlainTextResponse(f"{error.detail}\n", error.status_code, headers=error.headers)

    def _may_look(self, request: Request) -> bool:
        if self._house.settings.lookout.reading == "open":
            return True
        return self._house.access.token(request.cookies.get(self._session_cookie)) is not None

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


def _file(name: str, media_type: str, more: str = "") -> Answer:
    text = (files("controller.lookout.page") / "files" / name).read_text(encoding="utf-8")
    return PlainTextResponse(text + more, media_type=media_type)


def _neighbours(window: Window, span: Span) -> list[tuple[str, str]]:
    """Return where links to other windows of the picture lead: words and query."""
    length = window.until - window.since
    around = (
        ("Closer", window.since + length / 4, window.until - length / 4),
        ("Wider", window.since - length / 2, window.until + length / 2),
        ("Earlier", window.since - length / 2, window.until - length / 2),
        ("Later", window.since + length / 2, window.until + length / 2),
    )
    return [
        (
            words,
            urlencode(
                {
                    "span": span.value,
                    "since": f"{since.astimezone(UTC):%Y-%m-%dT%H:%MZ}",
                    "until": f"{until.astimezone(UTC):%Y-%m-%dT%H:%MZ}",
                }
            ),
        )
        for words, since, until in around
        if CLOSEST <= until - since <= FARTHEST
    ]


async def _failed(request: Request, error: Exception) -> Answer:
    """Tell the log what went wrong, and the browser only that something did."""
    _log.error("page_failed", path=request.url.path, error=f"{type(error).__name__}: {error}")
    return PlainTextResponse("something went wrong here; the log says what\n", 500)
