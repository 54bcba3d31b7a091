"""The lookout's start: refused where the page would be open to all, or where nothing can listen."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from controller.cli.main import status_of
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
    assert "--new-secret" in capsys.readouterr().err


def test_a_port_that_is_taken_is_said(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Try again later, with the address named and no trace."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        settings_with(place, f"[lookout]\nport = {taken.getsockname()[1]}")

        assert status_of(["lookout", str(place / "c.toml")]) == 75

    told = capsys.readouterr().err
    assert "nothing can listen at 127.0.0.1" in told
    assert "Traceback" not in told


def test_a_new_secret_is_shown_once(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """And the next one takes its place."""
    settings_with(place)

    secrets = []
    for _ in range(2):
        assert status_of(["lookout", str(place / "c.toml"), "--new-secret"]) == 0
        secrets.append(capsys.readouterr().out.split(": ")[1].split()[0])

    assert secrets[0] != secrets[1]
