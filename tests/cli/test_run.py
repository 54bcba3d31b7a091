"""``coldpin run``: how the process ends where a driver does not come back."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NoReturn

import pytest

from controller.cli import run as module
from controller.cli.main import status_of
from controller.service.boot_memory import memory_of_configuration
from controller.service.serve import DriverHangsError
from controller.settings.shipped import shipped_config

CONFIG = shipped_config("larkmoor-laptop.toml")


class LeftAtOnceError(BaseException):
    """Stands in for the end of the process."""


@pytest.fixture(name="places")
def _places(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[Path]:
    """Take away the logs, the end of the process and the state directory of this machine."""

    class Logs:
        def flush(self) -> None:
            """Nothing waits."""

    def leave(status: int) -> NoReturn:
        raise LeftAtOnceError(status)

    monkeypatch.setattr(module, "set_up_logs", Logs)
    monkeypatch.setattr(os, "_exit", leave)
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    return []


def test_a_service_that_let_go_of_every_load_ends_as_others_do(
    monkeypatch: pytest.MonkeyPatch, places: list[Path], tmp_path: Path
) -> None:
    """With 0, in the state directory that systemd names."""

    def serve(_config: Path, place: Path, **_more: object) -> bool:
        places.append(place)
        return True

    monkeypatch.setattr(module, "serve", serve)

    assert status_of(["run", str(CONFIG)]) == 0
    assert places == [tmp_path]


@pytest.mark.parametrize(("hangs_within", "status"), [(False, 0), (True, 69)])
def test_a_driver_that_hangs_holds_up_no_end(
    monkeypatch: pytest.MonkeyPatch, places: list[Path], hangs_within: bool, status: int
) -> None:
    """The process leaves without its threads: at its ordinary end with 0, else with 69."""

    def serve(*_: object, **__: object) -> bool:
        if hangs_within:
            raise DriverHangsError("the driver of pump has not answered")
        return False

    monkeypatch.setattr(module, "serve", serve)

    with pytest.raises(LeftAtOnceError) as left:
        status_of(["run", str(CONFIG)])

    assert left.value.args == (status,)


def test_without_a_state_directory_a_folder_in_memory_serves(
    monkeypatch: pytest.MonkeyPatch, places: list[Path]
) -> None:
    """Cooling goes on."""

    def fails(_config: Path) -> Path:
        raise OSError("read only")

    monkeypatch.setattr(module, "state_directory", fails)

    assert module._place_of(CONFIG) == memory_of_configuration(CONFIG)
