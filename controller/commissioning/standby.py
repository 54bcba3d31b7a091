"""The service manager as the last resort behind a load that a tool has on.

Where systemd is the service manager and root runs the tool, a transient timer stands by: it ends
the tool, should it still hold the loads, and switches off by ``coldpin off``. It lives in the
manager, so it needs neither the tool nor the tool's own second process. Before its time it is
taken away, and nothing happens. For an installed chamber the tool itself is a unit (`tool_unit`),
whose end switches off; this is for every other one.

Sources: systemd.directives (252): sd_booted(3) names /run/systemd/system as the sign of a running
manager; systemd-run(1) names --on-active=, --timer-property=, --setenv= and --collect.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from controller.commissioning.ending import started_at
from controller.commissioning.tool_unit import MANAGER

ANSWER_WITHIN_S = 10.0
HANDED_ON = ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "XDG_STATE_HOME", "HOME", "PYTHONPATH")
"""What the environment says of the places of an instance."""
_numbers = itertools.count(1)


@contextlib.contextmanager
def manager_stands_by(
    config: Path, within_s: float, *, say: Callable[[str], object] = lambda _: None
) -> Iterator[None]:
    """Let the service manager switch off after a time, unless this ends before.

    Args:
        config: What `coldpin off` is called with.
        within_s: The time [s].
        say: Is told where there is a service manager that did not take it on.
    """
    # the effective user is the owner of the chamber's folder while a tool writes there
    if os.getuid() != 0 or not MANAGER.is_dir() or shutil.which("systemd-run") is None:
        yield
        return
    tool = os.getpid()
    name = f"coldpin-off-{tool}-{next(_numbers)}"
    refused = _asked(
        "systemd-run", "--quiet", "--collect", f"--unit={name}", f"--on-active={within_s:.1f}s",
        "--timer-property=AccuracySec=100ms", f"--description=switch off what {config} names",
        *(f"--setenv={key}={os.environ[key]}" for key in HANDED_ON if key in os.environ),
        sys.executable, "-m", "controller.commissioning.ending", str(tool), started_at(tool),
        str(config.absolute()),
    )  # fmt: skip
    if refused is not None:
        say(f"The service manager does not stand by ({refused}); the tool's second process does.")
    try:
        yield
    finally:
        if refused is None:
            _asked("systemctl", "--quiet", "stop", f"{name}.timer")


def _asked(*command: str) -> str | None:
    """Give the service manager a command as root; return why it did not take it, None if it did."""
    try:
        done = subprocess.run(  # noqa: S603 - our own arguments
            command, user=0, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True, errors="replace", timeout=ANSWER_WITHIN_S,
            check=False,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError) as error:
        return str(error)
    return None if done.returncode == 0 else (done.stderr.strip() or f"status {done.returncode}")
