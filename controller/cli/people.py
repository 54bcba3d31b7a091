"""What commands print for people, at the width of their terminal.

Tables go through rich, which is loaded where one is printed: loading it takes longer than a daily
command does otherwise, and those get by with `say` and `rows`.
"""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from controller.domain.json_text import json_text

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

NARROWEST = 10
"""A column narrower than this breaks words and helps nobody [characters]."""


def console() -> Console:
    """Return a console on standard output; it respects NO_COLOR and the terminal's width.

    Brackets and colons in a text are shown as they are: it may come from a file or be a path.
    """
    from rich.console import Console  # noqa: PLC0415

    return Console(highlight=False, soft_wrap=False, markup=False, emoji=False)


def bold(text: str) -> Text:
    """Return a part of a line that stands out; `Text.append` adds the rest."""
    from rich.text import Text  # noqa: PLC0415

    return Text.assemble((text, "bold"))


def table(*columns: str, title: str = "") -> Table:
    """Return an empty table with the given columns."""
    from rich.table import Table  # noqa: PLC0415

    made = Table(title=title or None, title_justify="left", box=None, pad_edge=False)
    for column in columns:
        made.add_column(column, overflow="fold")
    return made


def say(text: str, *, bold: bool = False) -> None:
    """Print a text, wrapped at the terminal's width."""
    for line in _wrapped(text, _width()):
        click.secho(line, bold=bold or None)


def rows(pairs: Sequence[tuple[str, str]]) -> None:
    """Print names and their values in two columns; a long value goes on below itself."""
    first = max((len(name) for name, _ in pairs), default=0)
    gap = 2
    for name, value in pairs:
        lines = _wrapped(value, max(_width() - first - gap, NARROWEST))
        for before, line in zip([name, *[""] * len(lines)], lines, strict=False):
            click.echo(f"{before:{first + gap}}{line}".rstrip())


def _width() -> int:
    return max(shutil.get_terminal_size().columns, NARROWEST)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_on_hyphens=False) or [""]


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document and nothing else."""
    click.echo(json_text(document))
