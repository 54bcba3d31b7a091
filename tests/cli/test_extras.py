"""A plain install has none of the extras: what works without them, and how the rest says so."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

from controller.cli.extras import SPARED, packages_of
from controller.cli.main import COMMANDS

ROOT = Path(__file__).parents[2]
CONFIG = str(ROOT / "config" / "larkmoor-laptop.toml")
EXTRAS = ("lookout", "mqtt", "fit")
ABSENT = sorted({name for extra in EXTRAS for name in packages_of(extra)})
MODULES = sorted(
    module for module, names in packages_distributions().items() if not {*names}.isdisjoint(ABSENT)
)
BARE = f"""
import sys
from importlib import metadata
for name in {MODULES!r}:
    sys.modules[name] = None  # an import of it fails, as if it were not installed
installed = metadata.distribution
def distribution(name):
    if name in {ABSENT!r}:
        raise metadata.PackageNotFoundError(name)
    return installed(name)
metadata.distribution = distribution
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
    """Every package of an extra is looked for, but those that its commands do without."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]

    for extra in EXTRAS:
        names = {re.split("[<>=]", line)[0] for line in extras[extra]}
        assert names - SPARED == set(packages_of(extra))
        assert names


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
    assert all(name in ran.stderr for name in packages_of(extra))
