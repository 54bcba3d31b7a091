"""The server of the planning page, before its first request."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from controller.cli import plan_server
from controller.cli.new_file import exact_content, replace_content


def test_the_address_is_shown_once_somebody_listens_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser that is opened at once must not be refused."""
    reached: list[str] = []

    def opened_in_browser(url: str) -> None:
        port = int(url.rsplit(":", 1)[1].strip("/"))
        socket.create_connection(("127.0.0.1", port), timeout=60).close()
        reached.append(url)

    class Server:
        def run(self, *, sockets: list[socket.socket]) -> None:
            """Serve nothing."""

    monkeypatch.setattr(plan_server.webbrowser, "open", opened_in_browser)
    monkeypatch.setattr(plan_server, "server_of", lambda *_, **__: Server())

    plan_server.serve_plan(
        tmp_path / "box.toml", plan_server.StartingPoint({}, (), None),
        address="127.0.0.1", port=0, browser=True, read=exact_content, write=replace_content,
    )  # fmt: skip

    assert len(reached) == 1
