"""Control process, lookout and browser together: what is done on the page reaches the chamber."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from controller.lookout.page.access import new_secret
from controller.settings.shipped import shipped_config
from tests.lookout.page.test_browser import CHROMIUM, QUIET
from tests.support.broker import free_port
from tests.support.machine import needs
from tests.support.own_memory import give_own_memory
from tests.support.waiting import AT_MOST_S, until

pytestmark = [
    needs("chromium"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
PACKAGE = Path(__file__).parents[2]


class Both:
    """A chamber's two processes."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.port = free_port()
        self.secret = new_secret(place)
        text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        quick = text.replace('tick = "5 s"', 'tick = "1 s"')
        assert quick != text
        self.config = place / "c.toml"
        self.config.write_text(f"{quick}\n[lookout]\nport = {self.port}\n", encoding="utf-8")

    def begin(self, command: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "controller", command, str(self.config)],
            env=self._environment(), cwd=PACKAGE,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip

    def status(self) -> tuple[int, dict[str, Any]]:
        """Ask as a person at a shell would."""
        done = subprocess.run(
            [sys.executable, "-m", "controller", "status", str(self.config), "--json"],
            env=self._environment(), cwd=PACKAGE, capture_output=True, check=False,
        )  # fmt: skip
        return done.returncode, json.loads(done.stdout)

    def listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def _environment(self) -> dict[str, str]:
        site = self.place / "site"
        give_own_memory(site, self.place / "memory")
        return {
            "STATE_DIRECTORY": str(self.place), "PATH": os.environ["PATH"], "PYTHONPATH": str(site)
        }  # fmt: skip


@pytest.fixture
def both(tmp_path: Path) -> Iterator[tuple[Both, subprocess.Popen[bytes]]]:
    chamber = Both(tmp_path)
    with ExitStack() as ends:
        processes = []
        for command in ("run", "lookout"):
            process = ends.enter_context(chamber.begin(command))
            ends.callback(process.kill)
            processes.append(process)
        until(lambda: chamber.listens() and (tmp_path / "status.json").exists())
        yield chamber, processes[0]


def test_a_swap_on_the_page_is_seen_in_status_and_silence_on_the_page(
    both: tuple[Both, subprocess.Popen[bytes]],
) -> None:
    """Noted by form, answered by the control process, read by a command; then it is killed."""
    from playwright import sync_api

    chamber, control = both
    with sync_api.sync_playwright() as play:
        page = play.chromium.launch(executable_path=CHROMIUM, args=QUIET).new_page()
        page.set_default_timeout(1000 * AT_MOST_S)
        page.goto(f"http://127.0.0.1:{chamber.port}/")
        page.fill("input[name=password]", chamber.secret)
        page.fill("input[name=who]", "Tove")
        page.press("input[name=password]", "Enter")
        page.fill("input[name=packs]", "3")
        page.select_option("select[name=through]", "yes")
        page.press("input[name=packs]", "Enter")
        page.click("main button")
        page.wait_for_selector("#answer >> text=Logged: 3 packs")

        assert "logged by Tove" in page.inner_text("#last_change")
        code, result = chamber.status()
        assert code in {0, 1}
        assert result["last_swap"]["packs"] == 3

        page.select_option("select[name=name]", "pinning")
        page.click("text=Change the stage")
        page.click("main button")
        page.wait_for_selector("#readings >> text=pinning")
        assert chamber.status()[1]["status"]["stage"] == "pinning"

        control.send_signal(signal.SIGKILL)
        page.wait_for_selector(".headline.no-data")
        assert "No data for" in page.inner_text("#headline")
        assert chamber.status()[0] == 2
