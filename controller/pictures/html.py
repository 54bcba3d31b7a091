"""A page that stands alone: pictures and style are inside, nothing is loaded from outside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, PackageLoader, select_autoescape
from markupsafe import Markup

from controller.pictures.chart import Chart, draw


def chart_style() -> str:
    """Return the style sheet that charts need, for light, dark and print."""
    return (files("controller.pictures") / "files" / "chart.css").read_text(encoding="utf-8")


def part_script() -> str:
    """Return the script by which a page renews a part of itself and keeps what a person holds."""
    return (files("controller.pictures") / "files" / "part.js").read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Bar:
    """One of several amounts that are compared."""

    label: str
    value: str
    """The amount, with its unit."""
    share: float
    """Of the largest, 0 to 1."""


def standalone_page(
    *,
    title: str,
    lead: str,
    facts: Sequence[tuple[str, str]],
    charts: Sequence[Chart],
    bars: Sequence[tuple[str, Sequence[Bar]]] = (),
    tables: Sequence[tuple[str, Sequence[str], Sequence[Sequence[str]]]] = (),
) -> str:
    """Return one HTML document, readable on a screen and printed.

    Args:
        title: What it is about.
        lead: The answer in a sentence.
        facts: Names and values.
        charts: The pictures, in their order.
        bars: Amounts to compare, each list with its heading; one without amounts is left out.
        tables: Each with its caption, columns and rows; one without rows is left out.
    """
    environment = Environment(
        loader=PackageLoader("controller.pictures", "files"),
        autoescape=select_autoescape(default=True, default_for_string=True),
    )
    return environment.get_template("standalone.html").render(
        title=title,
        lead=lead,
        facts=facts,
        charts=[Markup(draw(chart)) for chart in charts],  # noqa: S704 - draw escapes its texts
        bars=[each for each in bars if each[1]],
        tables=[table for table in tables if table[2]],
        style=Markup(chart_style()),  # noqa: S704 - a file of the package
    )
