"""A page that stands alone: the charting library is inside, nothing is loaded from outside."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, select_autoescape


def charting_file() -> Path:
    """Return where the charting library's own browser bundle lies, as its package carries it.

    The package is found and not loaded: what it would load takes more memory than all of ours.

    Raises:
        OSError: The package is not installed; ``pip install 'coldpin[lookout]'`` brings it.
    """
    found = find_spec("plotly")
    for folder in (found.submodule_search_locations or ()) if found is not None else ():
        path = Path(folder) / "package_data" / "plotly.min.js"
        if path.is_file():
            return path
    raise OSError(
        "found no package plotly, which pictures need; "
        "install it with pip install 'coldpin[lookout]'"
    )


def standalone_page(
    *,
    title: str,
    lead: str,
    facts: Sequence[tuple[str, str]],
    figures: Sequence[dict[str, Any]],
    tables: Sequence[tuple[str, Sequence[str], Sequence[Sequence[str]]]] = (),
) -> str:
    """Return one HTML document.

    Args:
        title: What it is about.
        lead: The answer in a sentence.
        facts: Names and values.
        figures: As `figures.chamber_figure` returns them.
        tables: Each with its caption, columns and rows.

    Raises:
        OSError: The charting library is not there.
    """
    environment = Environment(
        loader=PackageLoader("controller.pictures", "files"),
        autoescape=select_autoescape(default=True, default_for_string=True),
    )
    # "</" inside a script would end it
    packed = [json.dumps(figure).replace("</", "<\\/") for figure in figures]
    return environment.get_template("standalone.html").render(
        title=title,
        lead=lead,
        facts=facts,
        figures=packed,
        tables=tables,
        script=charting_file().read_text(encoding="utf-8"),
    )
