"""One chamber asked through every door there is."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from controller.cli.main import coldpin
from controller.domain.requests import LogSwap
from controller.lookout.broker.documents import Messages
from controller.lookout.broker.identity import Identity, RunMode
from controller.lookout.metrics import metrics_text
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.notice_rules import rules_of
from controller.lookout.page.access import Access
from controller.lookout.page.app import PageContext, page_app
from controller.records.forecast_file import read_forecast, write_forecast
from controller.records.requests_file import REQUESTS, ask
from controller.records.snapshot import Snapshot, take_snapshot
from controller.settings.load import Settings
from tests.lookout.houses import alarm, forecast, probes, put_status, settings_with, status

AIR_C, RESERVOIR_C = 19.3125, 4.4375
PACKS = 4
IDS = {"air": "28-0119a3c4d5e6", "reservoir": "28-0119a3c4d5e7"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One chamber with two alarms and a forecast, and how each door is asked about it."""

    place: Path
    settings: Settings
    now: datetime

    @property
    def snapshot(self) -> Snapshot:
        """What page, notices, metrics and broker are given."""
        kept = read_forecast(self.place, now=self.now)
        return take_snapshot(self.place, at_utc=self.now, forecast=kept)

    def command(self, *arguments: str) -> str:
        """Return what a command prints."""
        config = str(self.place / "c.toml")
        ran = CliRunner().invoke(
            coldpin, [arguments[0], config, *arguments[1:]], catch_exceptions=False,
            env={"STATE_DIRECTORY": str(self.place), "COLUMNS": "200"},
        )  # fmt: skip
        return ran.output

    def status_json(self) -> dict[str, Any]:
        """Return ``coldpin status --json``."""
        document: dict[str, Any] = json.loads(self.command("status", "--json"))
        return document

    def chambers_json(self) -> dict[str, Any]:
        """Return the one chamber of ``coldpin chambers --json``."""
        document: dict[str, Any] = json.loads(self.command("chambers", "--json"))["chambers"][0]
        return document

    def page(self) -> str:
        """Return the page as text."""
        context = PageContext(
            settings=self.settings,
            place=self.place,
            snapshot=lambda: self.snapshot,
            access=Access(self.place, clock=lambda: 0.0),
        )
        client = TestClient(page_app(context), base_url="http://localhost")
        return unescape(client.get("/").text)

    def metrics(self) -> dict[tuple[str, str], float]:
        """Return every figure by its name and its one label, of an alarm its name."""
        return {
            (
                sample.name,
                sample.labels.get("alarm") or next(iter(sample.labels.values()), ""),
            ): sample.value
            for family in text_string_to_metric_families(metrics_text(self.snapshot).decode())
            for sample in family.samples
        }

    def broker(self, what: str) -> dict[str, Any]:
        """Return a document as a broker gets it."""
        identity = Identity(instance="c", machine="0123abcd", mode=RunMode.LIVE)
        messages = Messages(identity, chamber="hall shelf", zone=UTC)
        document: dict[str, Any] = json.loads(getattr(messages, what)(self.snapshot))
        return document

    def notices(self) -> str:
        """Return the texts of the notices that are due, one a line."""
        now = self.now.astimezone(self.settings.site.zone())
        _, due = notices_due(NoticeHistory(), self.snapshot, rules_of(self.settings), now)
        return "\n".join(notice.body for notice in due)


def asked_chamber(place: Path) -> Asked:
    """Return a chamber whose air is too warm, whose room probe is lost, and whose packs are due."""
    now = datetime.now(UTC).replace(microsecond=0)
    settings = settings_with(place, "[people]\nwakes = 00:00:00\nsleeps = 00:00:00\n")
    shown = probes(AIR_C, RESERVOIR_C)
    put_status(
        place,
        status(
            as_of=now,
            tick_s=60.0,  # commands go by the clock: on a busy machine it must not look silent
            probes=replace(
                shown,
                air=replace(shown.air, id=IDS["air"]),
                reservoir=replace(shown.reservoir, id=IDS["reservoir"]),
            ),
            alarms=[alarm("probe_lost", "room"), alarm("air_high")],
        ),
    )
    swap = LogSwap(packs=PACKS, at=now - timedelta(hours=9))
    ask(place / REQUESTS, swap, who="Tove")
    write_forecast(
        place,
        forecast(
            now + timedelta(hours=2),
            swapped=now - timedelta(hours=9),
            as_of=datetime.now(UTC) + timedelta(seconds=1),  # it knows of the logged change
        ),
    )
    return Asked(place=place, settings=settings, now=now)
