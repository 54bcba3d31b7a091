"""The lookout's start: refused where the page would be open to all, or where nothing can listen."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from controller.cli.main import status_of
from controller.lookout import run
from controller.lookout.page.app import PageContext
from tests.lookout.houses import settings_with


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    return tmp_path


def test_an_open_address_without_a_secret_is_refused(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The message says how to make one."""
    settings_with(place, '[lookout]\naddress = "0.0.0.0"')

    assert status_of(["lookout", str(place / "c.toml")]) == 78
    assert "--new-password" in capsys.readouterr().err


def test_the_service_manager_learns_when_the_page_is_there(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ready once it listens and not before, and that it stops; no child speaks in its name."""
    settings_with(place)
    told: list[str] = []

    class Server:
        def __init__(self, listening: Callable[[], object]) -> None:
            self.listening = listening

        def run(self) -> None:
            told.append(os.environ.get("NOTIFY_SOCKET", "server"))
            self.listening()

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(place / "notify"))
        manager.settimeout(0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(place / "notify"))
        monkeypatch.setattr(run, "server_of", lambda *_, listening, **__: Server(listening))
        run.run_lookout(place / "c.toml", place)
        messages = [manager.recv(100), manager.recv(100)]

    assert told == ["server"]
    assert messages == [b"READY=1", b"STOPPING=1"]


def test_a_reload_begins_anew_with_what_can_be_used(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One process for the manager; what cannot be used leaves the page as it is."""
    settings_with(place, "[lookout]\nport = 8500")
    served: list[tuple[int, bool]] = []

    class Server:
        def __init__(
            self, port: int, listening: Callable[[], object], ends: Callable[[], bool]
        ) -> None:
            self.port, self.listening, self.ends = port, listening, ends

        def run(self) -> None:
            self.listening()
            changes = {8500: ["port = 80", "port = 8501"], 8501: [""]}[self.port]
            for change in changes:
                if change:
                    text = (place / "c.toml").read_text(encoding="utf-8").rpartition("port")[0]
                    (place / "c.toml").write_text(text + change, encoding="utf-8")
                    os.kill(os.getpid(), signal.SIGHUP)
                served.append((self.port, self.ends()))

    def server(_: object, *, port: int, address: str, **told: Callable[[], Any]) -> Server:
        return Server(port, told["listening"], told["ends"])

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, capture_logs() as logs:
        manager.bind(str(place / "notify"))
        manager.settimeout(0)
        monkeypatch.setenv("NOTIFY_SOCKET", str(place / "notify"))
        monkeypatch.setattr(run, "server_of", server)
        before = signal.getsignal(signal.SIGHUP)
        contexts: list[PageContext] = []
        monkeypatch.setattr(run, "page_app", contexts.append)
        run.run_lookout(place / "c.toml", place)
        messages = [manager.recv(100).split(b"\n")[0] for _ in range(6)]
        with pytest.raises(BlockingIOError):
            manager.recv(100)

    assert served == [(8500, False), (8500, True), (8501, False)]
    assert messages == [
        b"READY=1", b"RELOADING=1", b"READY=1", b"RELOADING=1", b"READY=1", b"STOPPING=1"
    ]  # fmt: skip
    (kept,) = (line for line in logs if line["event"] == "config_kept_as_it_was")
    assert "lookout.port" in kept["problem"]
    assert signal.getsignal(signal.SIGHUP) is before
    first, second = contexts
    assert (first.settings.lookout.port, second.settings.lookout.port) == (8500, 8501)
    assert first.access is second.access, "nobody is signed out"


def test_a_terminal_that_is_closed_ends_the_page(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGHUP is a reload only where a service manager sends it."""
    settings_with(place)
    handlers: list[object] = []

    class Server:
        def run(self) -> None:
            handlers.append(signal.getsignal(signal.SIGHUP))

    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.setattr(run, "server_of", lambda *_, **__: Server())
    before = signal.getsignal(signal.SIGHUP)
    run.run_lookout(place / "c.toml", place)

    assert handlers == [before]


def test_a_port_that_is_taken_is_reported(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Try again later, with the address named and no trace."""
    with socket.socket() as occupied:
        occupied.bind(("127.0.0.1", 0))
        occupied.listen()
        settings_with(place, f"[lookout]\nport = {occupied.getsockname()[1]}")

        assert status_of(["lookout", str(place / "c.toml")]) == 75

    message = capsys.readouterr().err
    assert "nothing can listen at 127.0.0.1" in message
    assert "Traceback" not in message


@pytest.mark.parametrize("option", ["--new-password", "--new-secret"])
def test_a_new_password_is_shown_once(
    place: Path, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    """And the next one takes its place; the option's former name does the same."""
    settings_with(place)

    secrets = []
    for _ in range(2):
        assert status_of(["lookout", str(place / "c.toml"), option]) == 0
        secrets.append(capsys.readouterr().out.split(": ")[1].split()[0])

    assert secrets[0] != secrets[1]


def test_a_new_password_comes_with_the_address_as_a_code(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A phone's camera opens the page: the code says exactly the address that is printed."""
    segno = pytest.importorskip("segno", reason="the page's package segno is not installed")
    settings_with(place, '[lookout]\naddress = "0.0.0.0"\nnames = ["loft.local"]\nport = 8500')

    assert status_of(["lookout", str(place / "c.toml"), "--new-password"]) == 0

    out = capsys.readouterr().out
    assert "Address: http://loft.local:8500/\n" in out
    drawn = [line for line in out.splitlines() if set(line) & set("█▀▄")]
    size = segno.make("http://loft.local:8500/", error="m", micro=False).symbol_size(border=2)
    assert len(drawn) == -(-size[1] // 2)
    assert {len(line) for line in drawn} == {size[0]}


def test_a_page_for_this_machine_only_says_how_to_open_it(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No code for an address that no phone can reach."""
    settings_with(place)

    assert status_of(["lookout", str(place / "c.toml"), "--new-password"]) == 0

    out = capsys.readouterr().out
    assert "localhost:8427" in out
    assert "names" in out
    assert not set(out) & set("█▀▄")
