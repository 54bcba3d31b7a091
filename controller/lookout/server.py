"""The HTTP server of the page, and its limits: holding connections takes it from nobody.

A connection must bring a whole request within a deadline, and so must each further request. Where
there are too many of one address, or too many at all, the one that has waited longest for a request
is closed for the new one: whoever asks gets an answer, whoever only holds is put out. Behind a
reverse proxy all connections have one address, and the same holds.
"""

from __future__ import annotations

import asyncio
import collections
import socket
from collections.abc import Callable
from typing import Any

import uvicorn
from starlette.applications import Starlette
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS, MOST_OF_ONE_ADDRESS = 100, 40
YOUNG_S, MOST_AT_ANY_TIME = 0.5, 300
"""A connection as young as this may bring its request any moment, and is counted apart."""
REQUEST_S = 10.0
"""In this time a request must be there as a whole, from the connection's beginning or from the
answer before it; a form is at most 4 kB, so that a weak phone connection manages."""
ANSWER_S = 120.0
"""In this time an answer must be fetched: a page with its pictures, at the slowest."""
KEEP_ALIVE_S = 5
GRACE_S = 2
"""How long a stop waits for answers that are under way."""
LARGEST_HEADERS = 16_384


class BoundedProtocol(H11Protocol):
    """One connection, with deadlines and a place among a limited number of others."""

    _deadline: asyncio.TimerHandle | None = None
    _waits_since_s = 0.0
    """When it began to wait for a request, also for the one that is being answered."""

    @property
    def is_answering(self) -> bool:
        """Whether a whole request came and its answer is under way."""
        cycle = self.cycle
        return cycle is not None and not cycle.more_body and not cycle.response_complete

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take the connection in, or put it or another one out."""
        super().connection_made(transport)
        self._wait_for_request()
        self._make_room()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the deadline."""
        self._stop_deadline()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Hand the bytes on; a request that is whole by now gets the time for its answer."""
        answering_before = self.is_answering
        super().data_received(data)
        if self.is_answering and not answering_before:
            self._close_after(ANSWER_S)

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        self._wait_for_request()
        super().on_response_complete()
        if self.is_answering:  # the next one was there already
            self._close_after(ANSWER_S)

    def _wait_for_request(self) -> None:
        self._waits_since_s = self.loop.time()
        self._close_after(REQUEST_S)

    def _close_after(self, seconds: float) -> None:
        self._stop_deadline()
        self._deadline = self.loop.call_later(seconds, self._put_out)

    def _stop_deadline(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _put_out(self) -> None:
        if self.transport is not None and not self.transport.is_closing():
            self.transport.abort()

    def _make_room(self) -> None:
        """Close what waits longest of an address that holds too many, or of the one with most.

        What came a moment ago is left alone, because its request may be under way, and so is an
        answer; only where even that is too much does the oldest of them go too.
        """
        others = [
            each
            for each in self.connections
            if isinstance(each, BoundedProtocol) and not each.transport.is_closing()
        ]
        waiting = sorted(
            (each for each in others if not each.is_answering and each is not self),
            key=lambda each: each._waits_since_s,  # noqa: SLF001 - its own class
        )
        of_one = collections.Counter(_address(each) for each in others)
        for each in waiting:
            address, surplus = _address(each), of_one.total() - MOST_CONNECTIONS
            most_held = max(of_one.values())
            crowded = of_one[address] > MOST_OF_ONE_ADDRESS
            if not crowded and not (surplus > 0 and of_one[address] == most_held):
                continue
            young = self.loop.time() - each._waits_since_s < YOUNG_S  # noqa: SLF001
            if young and of_one.total() <= MOST_AT_ANY_TIME:
                continue
            of_one[address] -= 1
            each._put_out()  # noqa: SLF001
        if of_one.total() > MOST_AT_ANY_TIME:
            # all the others are young, or have an answer that nobody fetches
            most_held = max(of_one.values())
            crowd = (each for each in others if of_one[_address(each)] == most_held)
            min(crowd, key=lambda each: each._waits_since_s)._put_out()  # noqa: SLF001


class PageServer(uvicorn.Server):
    """A server that says when it listens, and ends when it is asked to."""

    def __init__(
        self, config: uvicorn.Config, listening: Callable[[], object], ends: Callable[[], bool]
    ) -> None:
        """Keep what is told.

        Args:
            config: The server's.
            listening: Called once, when the first request can come.
            ends: Asked ten times a second whether to end.
        """
        super().__init__(config)
        self._listening = listening
        self._ends = ends

    async def on_tick(self, counter: int) -> bool:
        """Return whether to end."""
        return await super().on_tick(counter) or self._ends()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen."""
        await super().startup(sockets)
        if self.started:
            self._listening()


def _address(connection: BoundedProtocol) -> str:
    return connection.client[0] if connection.client else ""


def server_of(
    app: Starlette | Any,
    *,
    address: str,
    port: int,
    listening: Callable[[], object] = lambda: None,
    ends: Callable[[], bool] = lambda: False,
) -> uvicorn.Server:
    """Return a server that has not begun.

    Args:
        app: What answers.
        address: Where it listens.
        port: And at which port.
        listening: Called once, when the first request can come.
        ends: Asked ten times a second whether to end.
    """
    return PageServer(
        uvicorn.Config(
            app,
            host=address,
            port=port,
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_keep_alive=KEEP_ALIVE_S,
            timeout_graceful_shutdown=GRACE_S,
            backlog=128,
            h11_max_incomplete_event_size=LARGEST_HEADERS,
            lifespan="off",
            loop="asyncio",
            http=BoundedProtocol,
            ws="none",
        ),
        listening,
        ends,
    )
