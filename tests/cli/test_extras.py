"""A plain install has none of the extras: what works without them, and how the rest says so."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from controller.cli.extras import PACKAGES, SPARED
from controller.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
CONFIG = str(ROOT / "config" / "larkmoor-laptop.toml")
BARE = f"""
import sys
for name in {sorted({name for names in PACKAGES.values() for name in names})!r}:
    sys.modules[name] = None  # an import of it fails, as if it were not installed
from controller.cli.main import status_of
sys.exit(max(status_of(line.split()) for line in sys.argv[1:]))
"""


def bare(*lines: str, state: Path) -> subprocess.CompletedProcess[str]:
    """Run command lines in one Python that has no extra."""
    return subprocess.run(
        [sys.executable, "-c", BARE, *lines],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=ROOT,
        env={"STATE_DIRECTORY": str(state), "PATH": "/usr/bin:/bin", "COLUMNS": "100"},
    )


def test_packages_are_those_of_the_project_file() -> None:
    """Every extra that people install is known, and brings as many packages as are looked for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]

    for extra, names in PACKAGES.items():
        assert len(extras[extra]) == len(names) + len(SPARED.get(extra, ()))


def test_help_of_everything_needs_no_extra(tmp_path: Path) -> None:
    """The list of commands, and the help of each."""
    ran = bare("--help", *(f"{name} --help" for name in COMMANDS), state=tmp_path)

    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.count("Usage: coldpin") == 1 + len(COMMANDS)


def test_judging_sizing_rehearsing_and_foreseeing_need_no_extra(tmp_path: Path) -> None:
    """What a person does before parts are bought, and the words on the day."""
    history = tmp_path / "history.csv"

    ran = bare(
        f"check {CONFIG}",
        f"size {CONFIG}",
        f"rehearse {CONFIG} --scenario calm-day --days 0.2 --forecast",
        f"rehearse {CONFIG} --scenario calm-day --days 0.1 --against plain",
        f"rehearse {CONFIG} --scenario calm-day --days 0.5 --csv {history}",
        f"import {CONFIG} --csv {history}",
        f"report {CONFIG} --from 2026-07-13 --to 2026-07-14",
        f"forecast {CONFIG} --as-of 2026-07-13T20:00",
        f"backup {CONFIG} {tmp_path / 'kept.tar'}",
        state=tmp_path,
    )

    assert "Traceback" not in ran.stderr
    assert "package" not in ran.stderr
    assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize(
    ("line", "what", "extra"),
    [
        (f"rehearse {CONFIG} --html page.html", "--html", "lookout"),
        (f"report {CONFIG} --html page.html", "--html", "lookout"),
        (f"lookout {CONFIG}", "coldpin lookout", "lookout"),
        (f"fit {CONFIG}", "coldpin fit", "fit"),
    ],
)
def test_what_is_lacking_is_named_before_any_work(
    tmp_path: Path, line: str, what: str, extra: str
) -> None:
    """One plain message with the package and the command that installs it."""
    ran = bare(line, state=tmp_path)

    assert ran.returncode == 69
    assert ran.stdout == ""
    assert ran.stderr.startswith(f"{what}: found no package")
    assert f"pip install 'coldpin[{extra}]'" in ran.stderr
    assert all(name in ran.stderr for name in PACKAGES[extra])
