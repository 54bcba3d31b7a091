"""Everything that reads bytes from outside, as functions that may only fail in our own words.

The suite feeds them by hypothesis, `python -m tests.fuzz` by a fuzzer that follows coverage. A
target returns where the bytes were taken or refused as they should be; whatever else it raises is a
fault of ours.
"""

from __future__ import annotations

import asyncio
import atexit
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import urlencode

from starlette.testclient import TestClient

from controller.domain.codec import UnreadableError
from controller.domain.requests import RequestKind, Resume
from controller.errors import ControllerError
from controller.lookout.broker.incoming_requests import IncomingRequests
from controller.lookout.broker.other_chambers import Retained, receive
from controller.lookout.chambers import chambers_of_broker
from controller.lookout.headline import headline_of
from controller.lookout.notices.services import read_addresses
from controller.lookout.page.access import Access, new_secret
from controller.lookout.page.app import PageContext, cookie_names, page_app
from controller.probes.one_wire import OneWireProbe
from controller.probes.recorded import read_rows
from controller.probes.samples import Fault
from controller.records.first_runs import last_first_run
from controller.records.forecast_file import FORECAST, read_forecast
from controller.records.reader import read_events, read_readings
from controller.records.requests_file import REQUESTS, ask, newest, swaps, unanswered
from controller.records.snapshot import take_snapshot
from controller.records.status_file import STATUS
from controller.service.kept_timers import begin_from, read_kept
from controller.settings.fit_file import put_fit_in
from controller.settings.load import Settings, examine_settings
from controller.settings.relay_modules import examine_relay_modules
from controller.settings.scenario_file import read_scenario
from controller.settings.temperature_csv import read_temperatures
from tests.fuzz.seeds import SENT
from tests.lookout.houses import LIMITS, put_status, settings_with, status
from tests.support.w1_tree import AIR

Target = Callable[[bytes], None]
OURS = (ControllerError, OSError)
"""What may be raised: each of it ends as one plain message."""
PREFIX = "coldpin-fuzz-"
LONG_REQUESTS_BYTES = 100_000
LONG_AGO = datetime(1971, 1, 1, tzinfo=UTC)


@cache
def folder() -> Path:
    """Return a folder that lasts as long as the process."""
    made = Path(tempfile.mkdtemp(prefix=PREFIX))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def _file(name: str, data: bytes) -> Path:
    path = folder() / name
    path.write_bytes(data)
    return path


def config(data: bytes) -> None:
    """A configuration: settings, or problems in words; never both missing."""
    settings, problems = examine_settings(_file("c.toml", data), needs_fit=True)
    assert (settings is None) is bool(problems)
    assert all(isinstance(problem, str) and problem for problem in problems)


def fit(data: bytes) -> None:
    """A fit that a configuration names."""
    _file("f.toml", data)
    document: dict[str, object] = {"plant": {"fitted": "f.toml", "coil": {"ua_air_w_k": 6.0}}}
    merged, problems = put_fit_in(document, folder())
    assert problems or merged is not document


def scenario(data: bytes) -> None:
    """A scenario of a rehearsal."""
    with suppress(*OURS):
        read_scenario(_file("s.toml", data))


def relay_modules(data: bytes) -> None:
    """The list of relay modules: what is wrong is told, record by record."""
    examine_relay_modules(_file("relay-modules.toml", data))


def one_wire(data: bytes) -> None:
    """What a probe's file holds: a temperature of the chip's range or a fault, never both."""
    probe = OneWireProbe(folder(), AIR, read=lambda _: data)
    sample = probe.read(lambda: 1.0)
    refused = isinstance(sample.fault, Fault)
    assert (sample.value_mc is None) is refused
    assert sample.value_mc is None or -55_000 <= sample.value_mc <= 125_000
    assert sample.raw.isprintable()


def recorded(data: bytes) -> None:
    """A recording of readings: bad rows are named and left out."""
    problems: list[str] = []
    with suppress(*OURS):
        for row in read_rows(_file("r.csv", data), on_problem=problems.append):
            assert row.at.tzinfo is not None


def weather(data: bytes) -> None:
    """Weather or a room: used whole or not at all."""
    with suppress(*OURS):
        rows = read_temperatures(
            _file("w.csv", data), "outdoor_c", longest_gap_s=7200.0, least_s=3600.0
        )
        assert all(at.tzinfo is not None for at, _ in rows)


@cache
def _requests_file() -> Path:
    path = folder() / REQUESTS
    ask(path, Resume(), who="Tove")
    return path


def request_rows(data: bytes) -> None:
    """Rows of the requests file that somebody else wrote."""
    path = _requests_file()
    kind, _, payload = data.partition(b"\n")
    with closing(sqlite3.connect(path)) as file:
        file.execute("PRAGMA synchronous = OFF")
        file.execute("DELETE FROM requests")
        for text in (payload.decode("utf-8", "replace"), "[]", "{}", '{"packs": "x", "at": 3}'):
            file.execute(
                "INSERT INTO requests (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms)"
                " VALUES (?, ?, 'x', 0, '', 0)",
                (kind.decode("utf-8", "replace") if text else "swap", text),
            )
            file.execute(
                "INSERT INTO requests (kind, payload, who, asked_utc_ms, boot_id, asked_boot_ms)"
                " VALUES ('swap', ?, 'x', 0, '', 0)",
                (text,),
            )
        file.commit()
    with suppress(*OURS):
        unanswered(path, most=100)
    with suppress(*OURS):
        swaps(path)
    with suppress(*OURS):
        newest(path, RequestKind.SWAP)


def database(data: bytes) -> None:
    """Bytes where the records should be."""
    path = _file("records.sqlite", data)
    for ending in ("-wal", "-shm"):
        path.with_name(f"{path.name}{ending}").unlink(missing_ok=True)
    with suppress(*OURS):
        list(read_readings(path))
    with suppress(*OURS):
        read_events(path, since=LONG_AGO)
    with suppress(*OURS, UnreadableError):
        last_first_run(path)


def kept_timers(data: bytes) -> None:
    """Timers kept over a restart: whatever they say, the pump rests first."""
    kept = None
    with suppress(*OURS):
        kept = read_kept(_file("kept-timers.json", data)).timers
    state = begin_from(kept, boot="boot-a", ahead_s=0.0, now=1000.0)
    assert (state.cooling.pump, state.cooling.fan) == (False, False)


def status_and_forecast(data: bytes) -> None:
    """What the two processes leave for each other."""
    place = folder() / "instance"
    place.mkdir(exist_ok=True)
    (place / STATUS).write_bytes(data)
    (place / FORECAST).write_bytes(data)
    now = datetime.now(UTC)
    read_forecast(place, now=now)
    snapshot = take_snapshot(place, at_utc=now)
    assert snapshot.silent or snapshot.status is not None
    if snapshot.silent and snapshot.status is None:
        headline_of(snapshot, LIMITS, datetime.now(UTC))


def addresses(data: bytes) -> None:
    """The file of the services' addresses."""
    path = _file("addresses", data)
    path.chmod(0o600)
    with suppress(*OURS):
        read_addresses(path)


async def _in_place(work: Callable[..., Any], *arguments: Any, **_options: Any) -> Any:
    return work(*arguments)


class _Asked:
    """An application that is asked without a server and a client, in one event loop for all."""

    def __init__(self, app: Any, cookie: str) -> None:
        self._app = app
        self._cookie = cookie.encode("latin-1")
        self._loop = asyncio.new_event_loop()

    def status(self, method: str, path: str, *, query: bytes = b"", body: bytes = b"") -> int:
        """Return the status of the answer; raises what the application does not answer."""
        statuses: list[int] = []
        headers = [
            (b"host", b"localhost"), (b"cookie", self._cookie),
            (b"content-type", b"application/x-www-form-urlencoded"),
            (b"content-length", str(len(body)).encode()),
        ]  # fmt: skip
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http",
            "method": method, "path": path, "raw_path": path.encode(), "query_string": query,
            "root_path": "", "headers": headers, "client": ("127.0.0.1", 50_000),
            "server": ("localhost", 80),
        }  # fmt: skip

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                statuses.append(message["status"])

        with patch("anyio.to_thread.run_sync", _in_place):  # a thread for each would cost most
            self._loop.run_until_complete(self._app(scope, receive, send))
        (only,) = statuses
        return only


@cache
def _page() -> tuple[_Asked, str]:
    place = folder() / "page"
    place.mkdir()
    put_status(place, status())
    access = Access(place, clock=lambda: 1.0)
    app = page_app(
        PageContext(
            settings=settings_with(place),
            place=place,
            snapshot=lambda: take_snapshot(place, at_utc=datetime.now(UTC)),
            access=access,
        )
    )
    client = TestClient(app, base_url="http://localhost", follow_redirects=False)
    client.post("/sign-in", data={"password": new_secret(place), "who": ""})
    name = cookie_names(place.name)[0]
    session = client.cookies.get(name)
    token = access.token(session)
    assert token is not None
    return _Asked(app, f"{name}={session}"), token


def form(data: bytes) -> None:
    """A form of the page, from somebody who entered: done, or refused; never a fault."""
    page, token = _page()
    what, _, body = data.partition(b"\n")
    name = "".join(c for c in what.decode("ascii", "ignore") if c.isalnum())[:12] or "swap"
    assert page.status("POST", f"/do/{name}", body=f"token={token}&".encode() + body) < 500


def query(data: bytes) -> None:
    """What stands behind the question mark of the page and its figure; each input asks one."""
    page, _ = _page()
    text = data[1:].decode("latin-1")[:200]
    path = ("/", "/picture", "/do/swap", "/chambers")[data[0] % 4 if data else 0]
    fields = urlencode({"span": text, "since": text, "at": text}).encode()
    assert page.status("GET", path, query=fields) < 500


@cache
def _message_settings() -> Settings:
    place = folder() / "messages"
    place.mkdir(exist_ok=True)
    return settings_with(place)


def message(data: bytes) -> None:
    """Something that came over a broker."""
    place, settings = folder() / "messages", _message_settings()
    requests, ids = place / REQUESTS, place / "asked.json"
    ids.unlink(missing_ok=True)
    if requests.exists() and requests.stat().st_size > LONG_REQUESTS_BYTES:
        requests.unlink()
    incoming = IncomingRequests(requests, settings, kept=ids)
    asked = incoming.take(data, kept=False, now=SENT)
    assert asked is None or asked.why
    others: dict[str, Retained] = {}
    for topic in ("coldpin/x/m/state", "coldpin/x/m/forecast", "coldpin/x/m/present"):
        receive(others, topic, data)
    chambers_of_broker(others, now=SENT)


TARGETS: dict[str, Target] = {
    each.__name__: each
    for each in (
        config, fit, scenario, relay_modules, one_wire, recorded, weather, request_rows, database,
        kept_timers, status_and_forecast, addresses, form, query, message,
    )
}  # fmt: skip
