"""The page's server under connections that bring nothing: they are put out, and others answered."""

from __future__ import annotations

import http.client
import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing

import pytest
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from controller.lookout import server as module
from controller.lookout.page.guard import Guard
from controller.lookout.page_address import url_of
from controller.lookout.server import MOST_AT_ANY_TIME, MOST_OF_ONE_ADDRESS, server_of
from tests.support.waiting import until

PATIENCE_S = 30.0
"""Of a socket that waits for the server; a bound, not a measure."""


class Running:
    """A server in a thread, with a page that can be made to take long."""

    def __init__(self) -> None:
        self.asked = threading.Semaphore(0)
        self.may_answer = threading.Event()
        routes = [
            Route("/", lambda _: PlainTextResponse("well")),
            Route("/slow", self.slow),
            Route("/large", lambda _: PlainTextResponse("x" * 1_000_000)),
            Route("/form", self.form, methods=["POST"]),
        ]
        app = Starlette(
            routes=routes, middleware=[Middleware(Guard, names=frozenset({"127.0.0.1"}))]
        )
        self._socket = socket.socket()
        self._socket.bind(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self.reached: list[int] = []
        self._server = server_of(app, address="127.0.0.1", port=self.port, listening=self.listening)
        self._thread = threading.Thread(
            target=self._server.run, args=([self._socket],), daemon=True
        )
        self._thread.start()
        until(lambda: self._server.started, "the start")

    def listening(self) -> None:
        """Note whether somebody who comes at once is let in."""
        with socket.socket() as visitor:
            self.reached.append(visitor.connect_ex(("127.0.0.1", self.port)))

    async def slow(self, _request: Request) -> Response:
        self.asked.release()
        await run_in_threadpool(self.may_answer.wait, PATIENCE_S)
        return PlainTextResponse("at last")

    async def form(self, request: Request) -> Response:
        self.asked.release()
        return PlainTextResponse(str(len(await request.body())))

    @property
    def held(self) -> int:
        """Connections that the server holds."""
        return len(self._server.server_state.connections)

    @property
    def answering(self) -> int:
        """Of these, how many have an answer under way."""
        connections = tuple(self._server.server_state.connections)
        return sum(each.is_answering for each in connections)  # type: ignore[union-attr]

    def connected(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)

    def status(self, path: str = "/") -> int:
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)) as ask:
            ask.request("GET", path)
            return ask.getresponse().status

    def stop(self) -> None:
        self.may_answer.set()
        self._server.should_exit = True
        self._thread.join(PATIENCE_S)


@pytest.fixture
def running() -> Iterator[Running]:
    started = Running()
    yield started
    started.stop()


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Deadlines of a test."""
    monkeypatch.setattr(module, "REQUEST_S", 0.2)


def is_closed(connection: socket.socket) -> bool:
    """Wait until the other side closes, and return whether it did."""
    try:
        while connection.recv(1000):
            pass
    except ConnectionError:
        return True
    except TimeoutError:
        return False
    return True


def test_idle_connections_take_the_page_from_nobody(running: Running) -> None:
    """The attack: 100 open sockets that send nothing made every answer 503, and none was closed."""
    with ExitStack() as stack:
        idle = [stack.enter_context(running.connected()) for _ in range(500)]

        assert [running.status() for _ in range(20)] == [200] * 20
        assert running.held <= MOST_AT_ANY_TIME
        until(
            lambda: running.held <= MOST_OF_ONE_ADDRESS + 1,
            "the surplus is put out",
            meanwhile=running.status,
        )
        assert is_closed(idle[0])


def test_the_oldest_idle_connection_goes_first(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not the new one, and not one that was asked something a moment ago."""
    monkeypatch.setattr(module, "YOUNG_S", 0.0)
    with ExitStack() as stack:
        first, second = (stack.enter_context(running.connected()) for _ in range(2))
        until(lambda: running.held == 2, "both connected")
        assert is_answered(first)
        for _ in range(MOST_OF_ONE_ADDRESS - 1):
            stack.enter_context(running.connected())

        assert is_closed(second)
        assert is_answered(first)


def test_a_burst_of_connections_puts_out_no_young_one(running: Running) -> None:
    """A request that is a moment behind its connection is answered, whatever came between."""
    with ExitStack() as stack:
        for _ in range(MOST_OF_ONE_ADDRESS):
            stack.enter_context(running.connected())
        young = stack.enter_context(running.connected())
        for _ in range(MOST_OF_ONE_ADDRESS):
            stack.enter_context(running.connected())

        assert is_answered(young)


def test_an_answer_under_way_is_not_cut_off(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody waits for a picture while a hundred sockets are opened."""
    monkeypatch.setattr(module, "YOUNG_S", 0.0)
    with ExitStack() as stack:
        patient = stack.enter_context(running.connected())
        patient.sendall(b"GET /slow HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
        assert running.asked.acquire(timeout=PATIENCE_S)
        for _ in range(100):
            stack.enter_context(running.connected())
        assert running.status() == 200

        running.may_answer.set()

        assert patient.recv(1000).startswith(b"HTTP/1.1 200")


def test_answers_that_nobody_fetches_take_the_page_from_nobody(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The attack: as many sockets as are held that ask and do not read; every new one was put out.

    Fewer are held here than usual, so that the first is not over when the last one asks.
    """
    most = MOST_OF_ONE_ADDRESS + 10
    monkeypatch.setattr(module, "MOST_AT_ANY_TIME", most)
    with ExitStack() as stack:
        for _ in range(most + 5):
            greedy = socket.socket()
            greedy.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            greedy.settimeout(PATIENCE_S)
            stack.enter_context(greedy).connect(("127.0.0.1", running.port))
            greedy.sendall(2 * b"GET /large HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")

        until(lambda: running.answering >= most, "all are held and answered")
        assert [running.status() for _ in range(5)] == [200] * 5


def is_answered(connection: socket.socket) -> bool:
    """Ask for the page, and return whether the whole answer came."""
    connection.sendall(b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
    answer = b""
    while not answer.endswith(b"well"):
        piece = connection.recv(1000)
        if not piece:
            return False
        answer += piece
    return answer.startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n",
        b"POST /form HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 100\r\n\r\nx",
        b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\nGET",
    ],
    ids=["nothing", "half-a-header", "half-a-form", "half-a-second-request"],
)
@pytest.mark.usefixtures("hasty")
def test_a_request_has_a_deadline(running: Running, sent: bytes) -> None:
    """Whatever was sent of it so far, the connection is closed and is no longer counted."""
    with running.connected() as connection:
        connection.sendall(sent)

        assert is_closed(connection)
    until(lambda: running.held == 0, "none is held")


@pytest.mark.usefixtures("hasty")
def test_a_byte_now_and_then_buys_no_time(running: Running) -> None:
    """The deadline is that of the request, not of the silence."""
    with running.connected() as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nhost: 127.0.0.1\r\nx: ")
        connection.settimeout(0.01)
        ended = threading.Event()

        def drip() -> bool:
            try:
                connection.sendall(b"y")
                return connection.recv(10) == b""
            except TimeoutError:
                return False
            except ConnectionError:
                return True

        until(drip, "the end of a dripping request")
        ended.set()
    assert ended.is_set()


def test_an_answer_nobody_fetches_has_a_deadline(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a reader that stops in the middle would keep its place for ever."""
    monkeypatch.setattr(module, "ANSWER_S", 0.2)
    with running.connected() as connection:
        connection.sendall(b"GET /slow HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
        assert running.asked.acquire(timeout=PATIENCE_S)

        assert is_closed(connection)
    running.may_answer.set()


def test_an_aborted_form_leaves_no_trace_in_the_log(
    running: Running, caplog: pytest.LogCaptureFixture
) -> None:
    """Forty lines of traceback for each let anybody fill the log."""
    with caplog.at_level(logging.DEBUG):
        for _ in range(3):
            with running.connected() as connection:
                connection.sendall(
                    b"POST /form HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 100\r\n\r\nx"
                )
                assert running.asked.acquire(timeout=PATIENCE_S)
        until(lambda: running.held == 0, "none is held")
        assert running.status() == 200

    assert [record for record in caplog.records if record.exc_info] == []
    assert "Traceback" not in caplog.text


@pytest.mark.parametrize(
    ("address", "url"),
    [("127.0.0.1", "http://127.0.0.1:8427/"), ("::1", "http://[::1]:8427/")],
)
def test_where_it_listens_can_be_followed(address: str, url: str) -> None:
    assert url_of(address, 8427) == url


def test_it_says_once_that_it_listens(running: Running) -> None:
    """Not before somebody can come in."""
    assert running.status() == 200
    assert running.reached == [0]


def test_a_server_that_cannot_listen_does_not_say_so() -> None:
    """The port is taken."""
    said: list[str] = []
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        server = server_of(
            Starlette(), address="127.0.0.1", port=port, listening=lambda: said.append("ready")
        )
        with pytest.raises(SystemExit):
            server.run()

    assert said == []
