"""What stands before every route: host names, origins, lengths of bodies, and strict headers."""

from __future__ import annotations

from contextlib import suppress

from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from controller.settings.load import Settings

MOST_BODY = 8192
"""Longest form that is read [bytes]; none of either page comes near it."""
MOST_DIGITS = 10
"""Python refuses to read a number of thousands of digits."""
HEADERS = {
    # the planning page carries the style sheet of its charts in itself
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data:; connect-src 'self'; form-action 'self'; "
        "frame-ancestors 'none'; base-uri 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class Guard:
    """Refuses foreign host names, foreign origins and large bodies, before anything is looked at.

    A name that is not ours means that somebody's page made the browser come here (rebinding).
    """

    def __init__(self, app: ASGIApp, names: frozenset[str]) -> None:
        """Stand before an application that answers to these names, in lower case."""
        self._app = app
        self._names = names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse a request, or hand it on."""
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
        with suppress(ClientDisconnect):  # a form that was not sent to its end needs no answer
            await self._app(scope, receive, with_headers)  # type: ignore[arg-type]

    def _refusal(self, request: Request) -> tuple[int, str] | None:
        host = _without_port(request.headers.get("host", ""))
        if host not in self._names:
            return 421, "this machine is not known by that name; see [lookout] names"
        if request.method == "POST":
            origin = request.headers.get("origin")
            if origin is not None and _without_port(origin.partition("://")[2]) != host:
                return 403, "this form came from another site"
            if "transfer-encoding" in request.headers:  # of any length, and no browser's form
                return 411, "this form does not say how long it is"
            length = request.headers.get("content-length", "0")
            whole = length.isascii() and length.isdigit() and len(length) < MOST_DIGITS
            if not whole or int(length) > MOST_BODY:
                return 413, f"allowed: up to {MOST_BODY} bytes"
        return None


def names_of(settings: Settings) -> frozenset[str]:
    """Return the names that the page answers to, in lower case."""
    own = settings.lookout
    return frozenset(
        name.lower() for name in ("localhost", "127.0.0.1", "[::1]", own.address, *own.names)
    )


def _without_port(host: str) -> str:
    host = host.lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]
