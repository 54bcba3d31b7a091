"""What commands print for people: through rich, plain where nobody wants colour or width."""

from __future__ import annotations

import json
from datetime import datetime
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


def temperature(value_mc: float | None, unit: str = "C") -> str:
    """Return a temperature in the unit that people chose."""
    if value_mc is None:
        return "–"
    celsius = value_mc / 1000
    return f"{celsius * 1.8 + 32:.2f} °F" if unit == "F" else f"{celsius:.2f} °C"


def moment(iso: str, now: datetime) -> str:
    """Return an instant as people say it: today's hour, or weekday and hour, and how far it is."""
    at = datetime.fromisoformat(iso)
    day = "" if at.date() == now.date() else f"{at:%a} "
    far_s = (at - now).total_seconds()
    far = f"in {duration(60 * round(far_s / 60))}" if far_s >= 0 else f"{duration(-far_s)} ago"
    return f"{day}{at:%H:%M} ({far})"


def duration(seconds: float | None) -> str:
    """Return a duration in the two largest units that matter."""
    if seconds is None:
        return "–"
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    minutes, rest_s = divmod(whole, 60)
    if minutes < 120:
        return f"{minutes} min {rest_s} s" if rest_s else f"{minutes} min"
    hours, rest_min = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {rest_min} min" if rest_min else f"{hours} h"
    days, rest_h = divmod(hours, 24)
    return f"{days} d {rest_h} h" if rest_h else f"{days} d"
