"""What a machine may lack: programs and rights that some tests need, and how to skip them.

On a machine without them those tests are skipped with a plain reason. With ``COLDPIN_EVERYTHING=1``
in the environment, as CI sets it, the same lack is a failure: nothing is skipped unnoticed there.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import pytest

EVERYTHING = "COLDPIN_EVERYTHING"
CAP_SYS_ADMIN = 21
"""The right to mount. Source: linux/capability.h."""


def program(name: str) -> str | None:
    """Return the path of a program, also where a user's PATH leaves out the system's own."""
    return shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")


@cache
def may_mount() -> bool:
    """Return whether this process may mount a file system: root in many containers may not."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    effective = next(line.split()[1] for line in lines if line.startswith("CapEff:"))
    return bool(int(effective, 16) >> CAP_SYS_ADMIN & 1) and program("mount") is not None


@dataclass(frozen=True, slots=True)
class Need:
    """Something that a test needs of the machine, whether it is there, and how it comes there."""

    there: Callable[[], bool]
    reason: str
    obtainable: bool = True
    """False where no machine like this one can have it; then it is skipped everywhere."""


def _program(name: str, package: str) -> Need:
    return Need(
        lambda: program(name) is not None,
        f"{name} is not on this machine (Debian package {package})",
    )


NEEDS = {
    "chromium": _program("chromium", "chromium"),
    "mosquitto": _program("mosquitto", "mosquitto"),
    "mosquitto_passwd": _program("mosquitto_passwd", "mosquitto"),
    "nginx": _program("nginx", "nginx-light"),
    "openssl": _program("openssl", "openssl"),
    "prometheus": _program("prometheus", "prometheus"),
    "promtool": _program("promtool", "prometheus"),
    "systemd-analyze": _program("systemd-analyze", "systemd"),
    "systemd-sysusers": _program("systemd-sysusers", "systemd"),
    "lgpio": Need(
        lambda: find_spec("lgpio") is not None,
        "the Python package lgpio is not installed (it has wheels for Python 3.11 and 3.12)",
        obtainable=sys.version_info < (3, 13),
    ),
    "root": Need(lambda: os.geteuid() == 0, "this user is not root"),
    "mount": Need(may_mount, "this user may not mount a file system"),
}


def needs(*names: str) -> pytest.MarkDecorator:
    """Mark a test, a class or a module with what it needs of the machine, by names of `NEEDS`."""
    assert set(names) <= set(NEEDS), f"{names}: known needs are {sorted(NEEDS)}"
    return pytest.mark.needs(*names)


def demand(*names: str) -> None:
    """Skip the running test where something is not there; fail it where everything must be."""
    lacking = [NEEDS[name] for name in names if not NEEDS[name].there()]
    if not lacking:
        return
    reason = "; ".join(need.reason for need in lacking)
    if os.environ.get(EVERYTHING) == "1" and any(need.obtainable for need in lacking):
        pytest.fail(f"{EVERYTHING}=1 asks for every test, but {reason}", pytrace=False)
    pytest.skip(reason)
