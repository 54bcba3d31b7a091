"""The services that carry notices, on the page: how each does, and a test message."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime
from typing import Protocol

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from controller.lookout.notices.services import Service, ServiceHealth
from controller.pictures.words import moment

TEST_EVERY_S = 10.0
"""A button that is pressed twice sends one test [s]."""


class NoticeSender(Protocol):
    """What sends notices, as far as the page needs it."""

    def health(self) -> Sequence[ServiceHealth]:
        """Return how each service does."""

    def send_test(self) -> Sequence[tuple[Service, bool]]:
        """Send a test message now; return which service accepted it."""


def service_rows(notices: NoticeSender | None, now: datetime) -> list[tuple[str, str]]:
    """Return each service and how it does; none where no notices are sent.

    Args:
        notices: What sends them.
        now: Now, in the zone to write in.
    """
    rows = []
    for health in () if notices is None else notices.health():
        if health.failing_since is not None:
            since = moment(health.failing_since, now, far=False)
            words = f"Not working since {since}. Tried again by itself."
        elif health.accepted_at is not None:
            words = f"Works: last notice {moment(health.accepted_at, now, far=False)}."
        else:
            words = "No notice sent since the page started."
        if health.waiting:
            words += f" {health.waiting} waiting."
        rows.append((_name(health), words))
    return rows


class TestMessage:
    """Answers the button that sends a test message."""

    __test__ = False  # no test of the program, whatever its name begins with

    def __init__(
        self,
        notices: NoticeSender | None,
        *,
        may_act: Callable[[Request, str], bool],
        read_form: Callable[[Request], Awaitable[dict[str, str]]],
        render: Callable[[list[tuple[str, str]]], Response],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare.

        Args:
            notices: What sends notices; None: nothing does.
            may_act: Returns whether a request with this token may act.
            read_form: Reads the form of a request.
            render: Makes the answer from each service and what became of the message.
            clock: Gives seconds that nobody sets.
        """
        self._notices = notices
        self._may_act = may_act
        self._read_form = read_form
        self._render = render
        self._clock = clock
        self._sent_at_s = float("-inf")

    async def send(self, request: Request) -> Response:
        """Send a test message and say of each service whether it accepted it.

        Raises:
            HTTPException: The form is not from a page that somebody signed in to, there is nothing
                to send with, or one was sent a moment ago.
        """
        form = await self._read_form(request)
        if not self._may_act(request, form.get("token", "")):
            raise HTTPException(403, "this form is not from a page that you signed in to; go back")
        if self._notices is None:
            raise HTTPException(404, "no service is named; [notices] addresses names them")
        if self._clock() - self._sent_at_s < TEST_EVERY_S:
            raise HTTPException(429, "a test was sent just now; wait a moment")
        self._sent_at_s = self._clock()
        outcome = await run_in_threadpool(self._notices.send_test)
        return self._render(
            [
                (
                    _name(service),
                    "Accepted."
                    if accepted
                    else "Not accepted. Is the network there, and are user and password right?",
                )
                for service, accepted in outcome
            ]
        )


def _name(service: Service | ServiceHealth) -> str:
    return f"Service {service.number} ({service.kind})"
