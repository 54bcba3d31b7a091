"""What commands print for people: through rich, plain where nobody wants colour or width."""

from __future__ import annotations

import json
from typing import Any

import click
from rich.console import Console
from rich.table import Table


def console() -> Console:
    """Return a console on standard output; it respects NO_COLOR and the terminal's width."""
    return Console(highlight=False, soft_wrap=False)


def table(*columns: str, title: str = "") -> Table:
    """Return an empty table with the given columns."""
    made = Table(title=title or None, title_justify="left", box=None, pad_edge=False)
    for column in columns:
        made.add_column(column, overflow="fold")
    return made


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document and nothing else."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
