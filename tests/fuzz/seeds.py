"""Good bytes to begin from: a fuzzer that starts from nothing rarely gets past the first check."""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from dataclasses import asdict
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from controller.domain.json_text import json_text
from controller.domain.status import STATUS_CODEC
from controller.probes.scratchpad import scratchpad_text
from controller.records.schema import migrate
from controller.service.kept_timers import VERSION, KeptTimers
from controller.settings.shipped import shipped_config
from tests.lookout.houses import status

SENT = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
"""When the messages were sent; the target takes it for now."""
ACTIONS = {
    "swap": {"packs": "4", "through": "yes", "at": "2026-07-01T11:50"}, "pause": {"minutes": "15"},
    "resume": {}, "stage": {"name": "fruiting"}, "ack": {"alarm": "air_high"}, "reset": {},
    "undo": {"id": "1"},
}  # fmt: skip
KEPT = KeptTimers(
    version=VERSION, boot_id="boot-a", at_s=1000.0, pump=False, pump_since_s=900.0, failed_tries=1,
    locked_since_s=None, paused_until_s=1100.0, starting=False, cut_starts=1,
)  # fmt: skip


@cache
def seeds(name: str) -> tuple[bytes, ...]:
    """Return some good inputs of a target."""
    config = shipped_config("larkmoor-laptop.toml").read_bytes()
    result: dict[str, tuple[bytes, ...]] = {
        "config": (config, shipped_config("skerrow-pi.toml").read_bytes()),
        "fit": (b"[plant.coil]\nua_air_w_k = 7.5\n",),
        "scenario": tuple(
            path.read_bytes() for path in sorted(shipped_config("scenarios").glob("*.toml"))
        ),
        "relay_modules": (shipped_config("relay-modules.toml").read_bytes(),),
        "one_wire": (scratchpad_text(16_000), scratchpad_text(-1_000)),
        "recorded": (
            b"time,air_c,reservoir_c,pump,swap_packs\n2026-07-01T00:00:00+00:00,16.0,4.0,0,2\n",
        ),
        "weather": (b"time,outdoor_c\n2026-07-01T00:00:00+00:00,16\n2026-07-01T01:00:00Z,17.5\n",),
        "request_rows": (b'swap\n{"packs": 4, "at": "2026-07-01T00:00:00+00:00"}', b"pause\n{}"),
        "database": (_database(),),
        "kept_timers": (
            json_text(asdict(KEPT)).encode(),
            json_text({**asdict(KEPT), "version": 9, "locked_since_s": 700.0}).encode(),
        ),
        "status_and_forecast": (STATUS_CODEC.text(status()).encode(),),
        "addresses": (b"mailto://a:b@example.org\n# a remark\n",),
        "form": (b"swap\npacks=4&through=yes", b"pause\nminutes=15", b"stage\nname=cropping"),
        "query": (b"\x00day", b"\x012026-07-01T00:00:00+00:00", b"\x02", b"\x03year"),
        "message": tuple(
            json_text(
                {"id": "1", "sent": SENT.isoformat(), "who": "T", "what": what, "fields": fields}
            ).encode()
            for what, fields in ACTIONS.items()
        ),
    }
    return result[name]


def _database() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "r.sqlite"
        with closing(sqlite3.connect(path, isolation_level=None)) as file:
            file.execute("PRAGMA page_size = 512")  # the smallest: a fuzzer spends itself on bytes
            migrate(file)
            file.execute("INSERT INTO runs (boot_id, chamber, started_ms) VALUES ('b', 'c', 0)")
            file.execute("INSERT INTO clocks VALUES (1, 0, 1784000000000)")
            file.execute("INSERT INTO readings VALUES (1, 1, 5, 16000, 4000, NULL, NULL, 0, 0)")
            file.execute("INSERT INTO events VALUES (1, 1, 5, 'raised', 'air_high', '')")
        return path.read_bytes()
