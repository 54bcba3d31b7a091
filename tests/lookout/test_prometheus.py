"""A real Prometheus scrapes a real lookout, with the rules that ship."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.domain.status import LoopFigures
from tests.lookout.houses import alarm, put_status, settings_with, status
from tests.support.broker import free_port
from tests.support.machine import needs, program
from tests.support.waiting import AT_MOST_S, until

PROMETHEUS = program("prometheus")
pytestmark = needs("prometheus")
ROOT = Path(__file__).parents[2]
RULES = ROOT / "config" / "prometheus"
CONFIG = """
global: {{scrape_interval: 1s, evaluation_interval: 1s}}
rule_files: ["{rules}/*.yml"]
scrape_configs:
  - job_name: coldpin
    static_configs: [{{targets: ["127.0.0.1:{port}"]}}]
"""


class Server:
    """A Prometheus that scrapes one lookout."""

    def __init__(self, folder: Path, port: int) -> None:
        self.port = free_port()
        (folder / "prometheus.yml").write_text(
            CONFIG.format(rules=RULES, port=port), encoding="utf-8"
        )
        assert PROMETHEUS is not None
        self.process = subprocess.Popen(
            [
                PROMETHEUS,
                f"--config.file={folder}/prometheus.yml",
                f"--storage.tsdb.path={folder}/tsdb",
                f"--web.listen-address=127.0.0.1:{self.port}",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def asked(self, path: str) -> Any:
        """Return what its HTTP interface answers, None while it does not."""
        try:
            address = f"http://127.0.0.1:{self.port}{path}"
            with urllib.request.urlopen(address, timeout=AT_MOST_S) as result:
                return json.loads(result.read())["data"]
        except OSError:
            return None

    def value(self, expression: str) -> float | None:
        """Return the value of an expression that has one result, None where it has none."""
        query = urllib.parse.urlencode({"query": expression})
        data = self.asked(f"/api/v1/query?{query}")
        results = [] if data is None else data["result"]
        return float(results[0]["value"][1]) if len(results) == 1 else None


@pytest.fixture
def scraped(tmp_path: Path) -> Iterator[tuple[Server, Path]]:
    """A lookout as a process of its own, and the Prometheus that scrapes it."""
    port = free_port()
    settings_with(tmp_path, f"[lookout]\nport = {port}")
    put_status(
        tmp_path, status(alarms=[alarm("air_high")], figures=LoopFigures(starts=7, pump_s=60.0))
    )
    with subprocess.Popen(
        [sys.executable, "-m", "controller", "lookout", str(tmp_path / "c.toml")],
        env={**os.environ, "STATE_DIRECTORY": str(tmp_path)},
        cwd=ROOT,
        stderr=subprocess.DEVNULL,
    ) as lookout:
        server = Server(tmp_path, port)
        yield server, tmp_path
        server.process.kill()
        server.process.wait(AT_MOST_S)
        lookout.terminate()


def test_what_is_scraped_is_what_is_reported_and_ends_with_the_controller(
    scraped: tuple[Server, Path],
) -> None:
    """Figures and rules while it speaks; once it is silent no number of it stays."""
    server, place = scraped
    speaks: dict[str, Any] = {"alarms": [alarm("air_high")], "figures": LoopFigures(starts=7)}

    def spoken(expression: str, value: float) -> Callable[[], bool]:
        def so() -> bool:
            put_status(place, status(**speaks))
            return server.value(expression) == value

        return so

    until(spoken("coldpin_up", 1.0), "the first scrape")
    until(spoken('coldpin_temperature_celsius{place="air"}', 16.2), "the air")
    until(spoken("coldpin_pump_starts_total", 7.0), "a counter")
    until(spoken("round(instance:coldpin_air_over_cut_in:celsius * 10)", -8.0), "a recorded rule")
    rules = server.asked("/api/v1/rules")
    names = {rule["name"] for group in rules["groups"] for rule in group["rules"]}
    assert {"ColdpinSilent", "ColdpinAlarmStands"} <= names
    assert all(rule["health"] == "ok" for group in rules["groups"] for rule in group["rules"])

    put_status(place, status(boottime_s=1.0))  # nobody has spoken since the machine started
    until(lambda: server.value("coldpin_up") == 0.0, "silence")
    until(
        lambda: server.value('coldpin_temperature_celsius{place="air"}') is None,
        "no old number stays",
    )
