"""What commands print for people: through rich, plain where nobody wants colour or width.

rich is loaded where something is printed for people, since a script that asks for JSON needs none.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table


def console() -> Console:
    """Return a console on standard output; it respects NO_COLOR and the terminal's width."""
    from rich.console import Console  # noqa: PLC0415

    return Console(highlight=False, soft_wrap=False)


def table(*columns: str, title: str = "") -> Table:
    """Return an empty table with the given columns."""
    from rich.table import Table  # noqa: PLC0415

    made = Table(title=title or None, title_justify="left", box=None, pad_edge=False)
    for column in columns:
        made.add_column(column, overflow="fold")
    return made


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document and nothing else."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
