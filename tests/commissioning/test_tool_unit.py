"""What a tool's unit takes from the chamber's own, and where there is none.

The unit is the one that is shipped; which keys systemd-run(1) takes was tried in the emulated Pi.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from controller.commissioning import tool_unit
from controller.commissioning.tool_unit import INSIDE, properties_of, run_in_unit
from controller.errors import BusyError, SettingsError
from controller.service.locks import lock_instance

UNIT = (Path(__file__).parents[2] / "systemd" / "coldpin@.service").read_text(encoding="utf-8")
LOFT = Path("/etc/coldpin/loft.toml")


def test_a_tool_shares_sandbox_user_and_last_resort() -> None:
    """With the instance's name in place of the specifiers."""
    shared = properties_of(UNIT, "loft")

    for wanted in (
        "ExecStopPost=/opt/coldpin/current/bin/coldpin off /etc/coldpin/loft.toml",
        "User=coldpin",
        "SupplementaryGroups=gpio",
        "PrivateNetwork=yes",
        "ProtectSystem=strict",
        "DeviceAllow=char-gpiochip rw",
        "StateDirectory=coldpin/loft",
        "WorkingDirectory=/run/coldpin/loft",
    ):
        assert wanted in shared
    assert not any("%" in each for each in shared)


def test_what_makes_it_a_service_is_left_out() -> None:
    """A tool reports no readiness, has no watchdog, and is not started again."""
    keys = {each.partition("=")[0] for each in properties_of(UNIT, "loft")}

    assert not keys & {"Type", "ExecStart", "Restart", "WatchdogSec", "RestartSec"}


def test_a_drop_in_counts_and_other_sections_do_not() -> None:
    """Records on another disk need their ReadWritePaths= in a tool too."""
    text = f"{UNIT}\n# /etc/systemd/system/coldpin@loft.service.d/override.conf\n[Unit]\nA=1\n"
    text += "[Service]\n# said by hand\nReadWritePaths=/mnt/records\n"

    shared = properties_of(text, "loft")

    assert shared[-1] == "ReadWritePaths=/mnt/records"
    assert not any(each.startswith(("A=", "WantedBy=", "Description=")) for each in shared)


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[list[str]]:
    """A machine with a service manager on which root calls the tool, and what is run there."""
    argvs: list[list[str]] = []

    def run(argv: list[str], **_: object) -> subprocess.CompletedProcess[str]:
        argvs.append(argv)
        status = 75 if "first-run" in argv else 0
        return subprocess.CompletedProcess(argv, status, stdout=UNIT if argv[1] == "cat" else "")

    monkeypatch.delenv(INSIDE, raising=False)
    monkeypatch.setattr(tool_unit, "MANAGER", tmp_path)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(tool_unit.shutil, "which", lambda _: "/usr/bin/systemd-run")
    monkeypatch.setattr(tool_unit.subprocess, "run", run)
    return argvs


def test_who_may_not_write_there_is_told_before_anything_is_switched(
    ran: list[list[str]], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A member of the group coldpin without sudo: what is answered could not be kept."""
    monkeypatch.setattr(tool_unit, "named_state_directory", lambda _: tmp_path)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(os, "access", lambda *_: False)

    with pytest.raises(SettingsError, match="put sudo in front"):
        run_in_unit(LOFT, ["first-run"])

    assert ran == []


def test_beside_the_running_service_no_unit_is_made(
    ran: list[list[str]], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The unit's last resort would switch off what the service switches."""
    monkeypatch.setattr(tool_unit, "named_state_directory", lambda _: tmp_path)

    with lock_instance(tmp_path), pytest.raises(BusyError, match="already controls"):
        run_in_unit(LOFT, ["relays"])

    assert ran == []


def test_root_runs_it_in_a_unit_and_gets_its_status(ran: list[list[str]]) -> None:
    """By the program that the chamber's unit names; what is left of the unit is stopped."""
    assert run_in_unit(LOFT, ["first-run", "--anew"]) == 75

    _, started, stopped = ran
    assert started[-4:] == [
        "/opt/coldpin/current/bin/coldpin", "first-run", str(LOFT), "--anew",
    ]  # fmt: skip
    assert "--pipe" in started, "a test has no terminal"
    assert stopped == ["systemctl", "stop", "coldpin-tool-loft.service"]


@pytest.mark.parametrize("why", ["no root", "inside", "a laptop's file", "no manager"])
def test_elsewhere_the_caller_runs_it(
    ran: list[list[str]], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, why: str
) -> None:
    """As on a laptop, and inside the unit itself."""
    config = tmp_path / "loft.toml" if why == "a laptop's file" else LOFT
    if why == "no root":
        monkeypatch.setattr(os, "geteuid", lambda: 1000)
    elif why == "inside":
        monkeypatch.setenv(INSIDE, "1")
    elif why == "no manager":
        monkeypatch.setattr(tool_unit, "MANAGER", tmp_path / "none")

    assert run_in_unit(config, ["relays"]) is None
    assert ran == []
