"""README, key reference and help are held against the program: commands, output, lists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli.keys import as_markdown
from controller.cli.main import COMMANDS, HELP, coldpin
from controller.settings.key_reference import key_tables

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMAND_LIST = (ROOT / "hardware-notes" / "commands.md").read_text(encoding="utf-8")


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
    """Every command has a help text and a row in the list of commands."""
    assert f"`coldpin {name}" in COMMAND_LIST

    ran = CliRunner().invoke(coldpin, [name, "--help"], catch_exceptions=False)

    assert ran.exit_code == 0
    assert len(ran.output.splitlines()) > 4


def test_help_lists_every_command_once() -> None:
    """The lines are kept apart from the commands, so that help imports none of them."""
    assert sorted(name for lines in HELP.values() for name in lines) == sorted(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_line_is_the_commands_own(name: str) -> None:
    """The first sentence of the command, short enough for a terminal of 80 columns."""
    (line,) = [lines[name] for lines in HELP.values() if name in lines]
    command = coldpin.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    assert command.help is not None

    assert line == re.split(r"(?<=\.)\s", command.help.strip(), maxsplit=1)[0]
    assert len(line) <= 78 - 13


def test_the_page_is_what_the_program_prints() -> None:
    """Refresh it with `coldpin keys --markdown > config/README.md`."""
    assert (ROOT / "config" / "README.md").read_text(encoding="utf-8") == as_markdown(key_tables())
