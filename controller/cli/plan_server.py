"""Serve the page of ``coldpin plan`` on this machine until it is interrupted."""

from __future__ import annotations

import contextlib
import socket
import webbrowser
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import click

from controller.errors import BusyError
from controller.lookout.page.guard import Guard
from controller.lookout.page_address import url_of
from controller.lookout.server import server_of
from controller.planning.answers import OwnFile
from controller.planning.page.plan_app import Planner, app_of

NAMES = frozenset({"localhost", "127.0.0.1"})


@dataclass(frozen=True, slots=True)
class StartingPoint:
    """What the page begins with."""

    texts: Mapping[str, str]
    changes: tuple[str, ...]
    own: OwnFile | None


def serve_plan(
    file: Path,
    start: StartingPoint,
    *,
    address: str,
    port: int,
    browser: bool,
    read: Callable[[Path], str],
    write: Callable[[Path, str], None],
) -> None:
    """Serve until interrupted.

    Args:
        file: What Save writes.
        start: What the page begins with.
        address: Where it listens.
        port: At which port; 0: any that is free.
        browser: Whether to open it in a browser.
        read: Returns the text of a file, every byte of it.
        write: Writes a file as a whole; raises OSError where it cannot.

    Raises:
        BusyError: Something else listens at that port.
    """
    planner = Planner(
        file=file,
        start=start.texts,
        start_changes=start.changes,
        own=start.own,
        read=read,
        write=write,
    )
    app = Guard(app_of(planner), NAMES)
    with socket.socket() as listening:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind((address, port))
            listening.listen()  # before anybody hears of the address
        except OSError as error:
            raise BusyError(
                f"cannot listen at port {port}: {error.strerror}; "
                "is a plan open already? --port 0 takes any that is free"
            ) from None
        url = url_of(address, listening.getsockname()[1])
        click.echo(f"Plan of {file}: {url}")
        click.echo("Ctrl-C ends it.")
        if browser:
            with contextlib.suppress(webbrowser.Error):
                webbrowser.open(url)
        with contextlib.suppress(KeyboardInterrupt):
            server_of(app, address=address, port=port).run(sockets=[listening])
