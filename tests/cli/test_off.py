"""``coldpin off``: how little happens before the loads are off, and in which order."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli import off as command
from controller.service.kept_wiring import KeptLoad, write_kept_wiring
from controller.settings.shipped import shipped_config
from tests.support.waiting import AT_MOST_S

CONFIG = shipped_config("larkmoor-laptop.toml")
PUMP = KeptLoad(name="pump", driver="dry", options={})
FAN = KeptLoad(name="fan", driver="dry", options={})
# the configuration is asked for once everything that the service had opened is off
LOADED_UNTIL_OFF = """
import sys
from controller.cli import main, off

def named_in(config):
    print("\\n".join(name for name, module in sys.modules.items() if module is not None))
    return ()

off._named_in = named_in
main.status_of(["off", sys.argv[1]])
"""
HEAVY = {
    "asyncio", "controller.core", "controller.records.schema", "controller.settings", "logging",
    "pydantic", "rich", "sqlite3",
}  # fmt: skip


def test_loads_are_off_before_anything_heavy_is_imported(tmp_path: Path) -> None:
    """Each import is time for which a pump runs on; on the slowest board they take seconds."""
    write_kept_wiring(tmp_path, [PUMP])
    ran = subprocess.run(
        [sys.executable, "-c", LOADED_UNTIL_OFF, str(CONFIG)],
        env={**os.environ, "STATE_DIRECTORY": str(tmp_path)},
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip

    assert "pump: off" in ran.stdout
    assert set(ran.stdout.split()) & HEAVY == set()


def test_what_memory_names_is_off_before_the_medium_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card that is failing may hold up whoever reads from it."""
    memory, medium = tmp_path / "memory", tmp_path / "medium"
    for place, load in ((memory, PUMP), (medium, FAN)):
        place.mkdir()
        write_kept_wiring(place, [load])
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(memory))
    monkeypatch.setenv("STATE_DIRECTORY", str(medium))
    done: list[str] = []
    read, put_off = command.read_kept_wiring, command._put_off
    monkeypatch.setattr(
        command, "read_kept_wiring", lambda place: (done.append(place.name), read(place))[1]
    )
    monkeypatch.setattr(
        command, "_put_off", lambda load: (done.append(f"{load.name} off"), put_off(load))[1]
    )

    CliRunner().invoke(command.off, [str(CONFIG)])

    assert done[:4] == ["memory", "pump off", "medium", "fan off"]


def test_words_that_nobody_reads_hold_up_no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """The loads are off by then; the thread that waits for a reader ends with the process."""
    monkeypatch.setattr("controller.cli.off.WORDS_WITHIN_S", 0.0)
    reads, writes = os.pipe()
    waiting: list[threading.Thread] = []
    try:
        command._write(writes, ["off"] * 100_000)  # more than a pipe holds
        waiting = [thread for thread in threading.enumerate() if thread.name == "words"]
        assert waiting
        assert all(thread.daemon for thread in waiting)
    finally:
        os.close(reads)
        for thread in waiting:
            thread.join(AT_MOST_S)
        os.close(writes)
