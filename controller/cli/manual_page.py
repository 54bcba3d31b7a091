"""The manual page, from the commands themselves: ``python -m controller.cli.manual_page``."""

from __future__ import annotations

from collections.abc import Iterator

import click

from controller import __version__
from controller.cli.main import COMMANDS, coldpin

ABOUT_CONFIG = (
    "CONFIG is a path, or the name of a chamber: NAME is /etc/coldpin/NAME.toml. With one chamber "
    "on the machine it may be left out."
)
ABOUT_STATUS = (
    "0 fine; 1 (status) an alarm is active; 2 (status) no answer; 64 wrong usage; 66 an input file "
    "that cannot be used; 69 hardware or a record not there; 70 a fault of the program; 75 try "
    "again later; 78 a configuration that cannot be used."
)


def manual_page(release: str) -> str:
    """Return the page in the language of man(7).

    Args:
        release: The version that it is about.
    """
    lines = [
        f'.TH COLDPIN 1 "" "coldpin {release}" "User commands"',
        ".SH NAME",
        "coldpin \\- keep a mushroom fruiting chamber cool on cold water and ice packs",
        ".SH SYNOPSIS",
        ".B coldpin",
        "COMMAND [ARGUMENTS]",
        ".SH DESCRIPTION",
        ABOUT_CONFIG,
        ".SH COMMANDS",
    ]
    context = click.Context(coldpin, info_name="coldpin")
    for name in COMMANDS:
        command = coldpin.get_command(context, name)
        if command is not None and not command.hidden:
            lines += _of_command(name, command, context)
    lines += [
        ".SH EXIT STATUS",
        ABOUT_STATUS,
    ]
    return "\n".join(lines) + "\n"


def _of_command(name: str, command: click.Command, parent: click.Context) -> Iterator[str]:
    context = click.Context(command, info_name=name, parent=parent)
    usage = " ".join(command.collect_usage_pieces(context))
    yield f".SS coldpin {_plain(name)} {_plain(usage)}"
    for paragraph in (command.help or "").replace("\b", "").split("\n\n"):
        yield _plain(" ".join(paragraph.split()))
        yield ".PP"
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record is not None and not isinstance(parameter, click.Argument):
            yield ".TP"
            yield f".B {_plain(record[0])}"
            yield _plain(record[1])


def _plain(text: str) -> str:
    """Keep roff from taking a character of the text for one of its own."""
    escaped = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{escaped}" if escaped.startswith((".", "'")) else escaped


if __name__ == "__main__":
    click.echo(manual_page(__version__), nl=False)
