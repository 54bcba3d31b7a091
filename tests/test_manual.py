"""The README is held against the program: its commands, its output, its list."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli.main import COMMANDS, coldpin

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def shell_blocks() -> list[str]:
    """Return the commands that the README tells people to type."""
    return re.findall(r"```sh\n(.*?)\n```", README, flags=re.DOTALL)


def test_ci_calls_exactly_the_test_command() -> None:
    """What a newcomer types to test is what CI runs."""
    (command,) = [block for block in shell_blocks() if "pytest" in block]

    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_rehearsal_prints_what_the_readme_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    """The picture in the README is the true output, the time it took aside."""
    (command,) = [block for block in shell_blocks() if "rehearse" in block]
    arguments = command.split("coldpin ")[1].split()
    shown = re.search(r"```text\n(.*?)```", README, flags=re.DOTALL)
    assert shown is not None
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "80")

    ran = CliRunner().invoke(coldpin, arguments, catch_exceptions=False)

    printed = [line.rstrip() for line in ran.output.splitlines()]
    assert printed[-1].startswith("4 days in ")
    assert printed[:-1] == shown[1].splitlines()


@pytest.mark.parametrize("name", COMMANDS)
def test_command_is_listed_and_explained(name: str) -> None:
    """Every command has a help text and a row in the README."""
    assert f"`coldpin {name}" in README

    ran = CliRunner().invoke(coldpin, [name, "--help"], catch_exceptions=False)

    assert ran.exit_code == 0
    assert len(ran.output.splitlines()) > 4
