"""The heartbeat: asked for while the chamber is controlled, and at no other time."""

from __future__ import annotations

import http.server
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from controller.errors import SettingsError
from controller.lookout.notices.heartbeat import ALIVE_FOR_S, Heartbeat, get, read_heartbeat
from controller.lookout.run import heartbeat_of
from tests.lookout.houses import settings_with, snapshot
from tests.support.waiting import until

SECRET = "noegle-7"


@pytest.fixture
def elsewhere() -> Iterator[tuple[str, list[str]]]:
    """A web server on this machine: its address, and what it was asked for."""
    asked: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            if self.path == "/no-http":
                self.wfile.write(b"220 mail.x.test ready\r\n")
                return
            self.send_response({"/away": 302, "/broken": 500}.get(self.path, 200))
            self.send_header("Location", "/stolen")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}", asked
    server.shutdown()
    server.server_close()


def test_it_beats_only_while_the_control_process_is_alive() -> None:
    """Not before the first snapshot, not in silence, and not where the watch itself hangs."""
    asked, now_s = list[str](), 0.0
    heartbeat = Heartbeat("http://x.test/", every_s=300.0, get=asked.append, clock=lambda: now_s)

    assert not heartbeat.beat()
    heartbeat(snapshot())
    assert heartbeat.beat()
    heartbeat(snapshot(silent=True))
    assert not heartbeat.beat()
    heartbeat(snapshot())
    now_s += ALIVE_FOR_S + 1
    assert not heartbeat.beat()
    assert len(asked) == 1


def test_it_asks_by_itself_from_its_beginning(elsewhere: tuple[str, list[str]]) -> None:
    """In a thread of its own, which ends when it is closed."""
    address, asked = elsewhere
    heartbeat = Heartbeat(f"{address}/{SECRET}", every_s=300.0)
    heartbeat(snapshot())
    heartbeat.begin()
    try:
        until(lambda: asked)
    finally:
        heartbeat.close()

    assert asked == [f"/{SECRET}"]


@pytest.mark.parametrize("path", ["/away", "/broken", "/no-http"])
def test_what_is_refused_is_logged_once_without_the_address(
    elsewhere: tuple[str, list[str]], path: str
) -> None:
    """Nothing is followed anywhere else."""
    address, asked = elsewhere
    heartbeat = Heartbeat(f"{address}{path}", every_s=300.0, get=get)
    heartbeat(snapshot())
    with capture_logs() as logs:
        assert heartbeat.beat()
        assert heartbeat.beat()

    assert asked == [path, path]
    assert [line["event"] for line in logs] == ["heartbeat_failed"]
    assert path not in str(logs)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "found 0 addresses"),
        ("https://a.test/\nhttps://b.test/\n", "found 2 addresses"),
        (f"file:///etc/{SECRET}", "begins with https"),
        ("https://", "begins with https"),
    ],
)
def test_what_is_no_address_is_refused(tmp_path: Path, text: str, message: str) -> None:
    """The message holds nothing of the file."""
    path = tmp_path / "heartbeat"
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)

    with pytest.raises(SettingsError, match=message) as caught:
        read_heartbeat(path)

    assert SECRET not in str(caught.value)


def test_it_is_off_unless_a_file_is_named(tmp_path: Path) -> None:
    """Nothing leaves the house that nobody asked for."""
    assert heartbeat_of(settings_with(tmp_path), tmp_path) is None

    (tmp_path / "beat").write_text("# ours\nhttps://x.test/1\n", encoding="utf-8")
    (tmp_path / "beat").chmod(0o600)
    named = settings_with(tmp_path, '[notices]\nheartbeat = "beat"')

    assert heartbeat_of(named, tmp_path) is not None
