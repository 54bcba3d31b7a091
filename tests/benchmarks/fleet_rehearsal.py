"""Many simulated chambers at once, told of to a real broker and on one page of figures.

Each chamber is a rehearsal of its own with another plant, a state directory with real records, and
the lookout's own way of telling a broker. Some tens share a process, and all go faster than the
clock by the same factor, so that what a shed would send in an hour comes in minutes. Forecasts are
left out: their cost is known, and their times would be those of simulated days.
"""

from __future__ import annotations

import argparse
import json
import sys
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import uvicorn
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from controller.cli.logs import set_up_logs
from controller.domain.places import RECORDS
from controller.errors import ControllerError, SettingsError
from controller.lookout.broker.publisher import MqttPublisher, publisher_of
from controller.lookout.metrics import metrics_text
from controller.records.boot import boot_id, boottime
from controller.records.snapshot import Snapshot
from controller.records.writer import RecordsWriter
from controller.rehearsal.notified import Notification, OutsideView
from controller.rehearsal.rehearse import Rehearsal
from controller.settings.load import Settings, read_settings
from controller.settings.scenario_file import ScenarioFile, read_scenario
from controller.settings.shipped import shipped_config

CHAMBERS_AT_ONCE = 40
"""Chambers in one process: a library waits for sockets in a way that ends at 1024 open files."""
VARIED = {
    "chamber": ("wall_u_w_m2k", "crop_kg", "air_changes_per_h"),
    "coil": ("ua_air_w_k",),
    "reservoir": ("litres",),
}
"""Figures of the plant that differ from chamber to chamber, by up to a quarter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """How many, how long, how fast."""

    chambers: int
    seconds: float
    """Real time [s]."""
    speed: float
    """Simulated seconds in a real one [-]."""
    seed: int


class _OverError(ControllerError):
    """The time is over; ends a rehearsal from inside."""


class _Member:
    """One chamber: paces its rehearsal, and hands on what another process would see."""

    def __init__(self, number: int, fleet: Fleet, settings: Settings, config: Path) -> None:
        self.name = f"{config.stem}-{number:03}"
        self.place = config.parent / self.name
        self.place.mkdir(parents=True, exist_ok=True)
        random = Random(f"{fleet.seed}/{number}")
        self.settings = varied(settings, random, name=self.name)
        self.snapshot: Snapshot | None = None
        self._fleet = fleet
        self._began_s = time.monotonic()
        self._minutes = 0
        made = publisher_of(self.settings, config.with_name(f"{self.name}.toml"), self.place)
        assert made is not None
        self._mqtt: MqttPublisher = made
        self._writer = RecordsWriter(
            self.place / RECORDS,
            chamber=self.settings.chamber.name,
            boot_id=boot_id() or "",
            ahead_s=boottime() - 5000.0,
        )

    def run(self, scenario: ScenarioFile) -> None:
        """Live until the time is over."""
        self._mqtt.begin()
        days = 1.0 + self._fleet.seconds * self._fleet.speed / 86_400.0
        try:
            Rehearsal(
                self.settings,
                scenario,
                days=min(400.0, days),
                seed=self._fleet.seed,
                notifier=self,
                journal=self._writer,
            ).run()
        except _OverError:
            pass
        finally:
            self._writer.close()
            self._mqtt.close()

    def __call__(self, view: OutsideView) -> Sequence[Notification]:
        """Take a minute's look, and wait until the real time for the next one has come."""
        self._minutes += 1
        status = replace(
            view.status,
            boot_id=boot_id(),
            boottime_s=boottime(),
            as_of=datetime.now(UTC).replace(microsecond=0),
        )
        self.snapshot = Snapshot(
            at_utc=datetime.now(UTC),
            status=status,
            age_s=0.0,
            silent=False,
            last_swap=view.last_swap,
            forecast=None,
        )
        self._mqtt(self.snapshot)
        due_s = self._began_s + 60.0 * self._minutes / self._fleet.speed
        time.sleep(max(0.0, due_s - time.monotonic()))
        if time.monotonic() - self._began_s >= self._fleet.seconds:
            raise _OverError
        return ()

    def now(self) -> Snapshot:
        """Return the newest snapshot with its true age; an old one is silent."""
        results = self.snapshot
        if results is None:
            return Snapshot(
                at_utc=datetime.now(UTC), status=None, age_s=None, silent=True,
                last_swap=None, forecast=None,
            )  # fmt: skip
        age_s = (datetime.now(UTC) - results.at_utc).total_seconds()
        return replace(results, age_s=age_s, silent=age_s > 3 * 60.0 / self._fleet.speed + 5.0)


def varied(settings: Settings, random: Random, *, name: str) -> Settings:
    """Return the settings with another plant and another name.

    Args:
        settings: The configuration.
        random: Draws the differences.
        name: The chamber's.
    """
    parts = {}
    for part, keys in VARIED.items():
        table = getattr(settings.plant, part)
        results = {key: getattr(table, key) for key in keys}
        parts[part] = table.model_copy(
            update={
                key: value * random.uniform(0.8, 1.25)
                for key, value in results.items()
                if value is not None
            }
        )
    plant = settings.plant.model_copy(update=parts)
    chamber = settings.chamber.model_copy(update={"name": name})
    records = settings.records.model_copy(update={"path": None})
    return settings.model_copy(update={"plant": plant, "chamber": chamber, "records": records})


def run_fleet(
    source: Path,
    scenario: ScenarioFile,
    config: Path,
    fleet: Fleet,
    *,
    report: Callable[[str], object],
) -> dict[str, Any]:
    """Let the chambers live, and return what they did.

    Args:
        source: The configuration that they have in common; [mqtt] names the broker, [lookout] port
            the page of figures, at ``/NAME/metrics`` for each chamber; the next process has the
            next port.
        scenario: Room, person and faults, the same for all.
        config: A path in the folder for their state; its name begins theirs.
        fleet: How many, how long, how fast.
        report: Is called with each line on how it goes.

    Raises:
        SettingsError: No broker is named.
    """
    settings = read_settings(source)
    if settings.mqtt.host is None:
        raise SettingsError(
            str(source), ("mqtt.host: found nothing, allowed: a broker, to send to",)
        )
    numbers = list(range(1, fleet.chambers + 1))
    groups = [
        numbers[at : at + CHAMBERS_AT_ONCE] for at in range(0, len(numbers), CHAMBERS_AT_ONCE)
    ]
    report(
        f"{len(numbers)} chambers at {fleet.speed:g} times the clock for {fleet.seconds:g} s; "
        f"figures at http://127.0.0.1:{settings.lookout.port}/{config.stem}-001/metrics"
    )
    began_s = time.monotonic()
    with ProcessPoolExecutor(len(groups), mp_context=get_context("spawn")) as pool:
        results = list(
            pool.map(
                _live,
                *zip(
                    *(
                        (source, scenario, config, fleet, group, settings.lookout.port + index)
                        for index, group in enumerate(groups)
                    ),
                    strict=True,
                ),
            )
        )
    return {
        "chambers": len(numbers),
        "processes": len(groups),
        "wall_s": round(time.monotonic() - began_s, 1),
        "simulated_h": round(fleet.seconds * fleet.speed / 3600.0, 2),
        "told": sum(report for report, _ in results),
        "alarms": sum(alarms for _, alarms in results),
    }


def _live(
    source: Path,
    scenario: ScenarioFile,
    config: Path,
    fleet: Fleet,
    numbers: Sequence[int],
    port: int,
) -> tuple[int, int]:
    """Let some of the chambers live in this process; return how many told, and their alarms."""
    set_up_logs()
    settings = read_settings(source)
    members = [_Member(number, fleet, settings, config) for number in numbers]
    server = _page_of(members, port)
    threads = [
        threading.Thread(target=member.run, args=(scenario,), name=member.name, daemon=True)
        for member in members
    ]
    page = threading.Thread(target=server.run, name="page", daemon=True)
    page.start()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    server.should_exit = True
    page.join(5.0)
    seen = [member.snapshot for member in members if member.snapshot is not None]
    statuses = [snapshot.status for snapshot in seen if snapshot.status is not None]
    return len(seen), sum(len(status.alarms) for status in statuses)


def _page_of(members: Sequence[_Member], port: int) -> uvicorn.Server:
    by_name = {member.name: member for member in members}

    def metrics(request: Request) -> Response:
        member = by_name.get(request.path_params["name"])
        if member is None:
            raise HTTPException(404, "no chamber of that name")
        return Response(metrics_text(member.now()), media_type=CONTENT_TYPE_LATEST)

    app = Starlette(routes=[Route("/{name}/metrics", metrics, methods=["GET"])])
    return uvicorn.Server(
        uvicorn.Config(
            app,
            host="127.0.0.1",
            port=port,
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="none",
        )
    )


def main() -> None:
    """Run the fleet on a scenario that ships, and print what it did as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("config", type=Path)
    parser.add_argument("--scenario", default="heat-wave")
    parser.add_argument("--chambers", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--speed", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    scenario = read_scenario(shipped_config("scenarios") / f"{asked.scenario}.toml")
    fleet = Fleet(
        chambers=asked.chambers, seconds=60.0 * asked.minutes, speed=asked.speed, seed=asked.seed
    )
    with TemporaryDirectory(prefix="coldpin-fleet-") as folder:
        config = Path(folder) / asked.config.name
        did = run_fleet(
            asked.config, scenario, config, fleet, report=lambda text: print(text, file=sys.stderr)
        )
    print(json.dumps(did))


if __name__ == "__main__":
    main()
