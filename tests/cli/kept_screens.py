"""What commands print, kept as text.

python -m tests.cli.kept_screens

writes the texts anew; read the difference before it is kept. Figures that a simulation gives are
shown as 0: other tests judge those, and each change of the physics would move them.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

from controller.cli.main import status_of
from controller.settings.shipped import shipped_config

FOLDER = Path(__file__).parent / "screens"
CONFIG = shipped_config("larkmoor-laptop.toml")
ANSWERS = Path(__file__).parents[1] / "planning" / "answers"
SPAN = ["--from", "2026-07-14T00:00", "--to", "2026-07-15T00:00"]
BEGINS = datetime(2026, 7, 13, 23, tzinfo=UTC)
"""Midnight of that day in the zone of the example, Europe/Lisbon."""


@dataclass(frozen=True)
class Screen:
    """A command."""

    arguments: list[str]
    figures: bool = True
    """Whether its figures are kept."""


SCREENS = {
    "check": Screen(["check", "{config}"], figures=False),
    "check-json": Screen(["check", "{config}", "--json"], figures=False),
    "size": Screen(["size", "{config}"], figures=False),
    "size-details": Screen(["size", "{config}", "--details"], figures=False),
    "size-json": Screen(["size", "{config}", "--json"], figures=False),
    **{
        f"new-{build}": Screen(
            ["new", f"{build}.toml", "--overwrite", "--answers", str(ANSWERS / f"{build}.toml")],
            figures=False,
        )
        for build in ("foam-box", "tent-and-bottles")
    },
    "new-json": Screen(
        [
            "new",
            "again.toml",
            "--overwrite",
            "--answers",
            str(ANSWERS / "tent-and-bottles.toml"),
            "--json",
        ],
        figures=False,
    ),
    "rehearse": Screen(["rehearse", "{config}", "--days", "0.5"], figures=False),
    "report": Screen(["report", "{config}", *SPAN]),
    "report-json": Screen(["report", "{config}", *SPAN, "--json"]),
    "forecast": Screen(["forecast", "{config}"]),
    "forecast-as-of": Screen(["forecast", "{config}", "--as-of", "2026-07-14T20:00"]),
    "status": Screen(["status", "{config}"]),
    "keys": Screen(["keys", "alarms"]),
    "import-again": Screen(["import", "{config}", "--csv", "day.csv"]),
}


def shown(screen: Screen, place: Path) -> str:
    """Return how a command ends and what it prints, in the surroundings of *place*."""
    arguments = [each.format(config="shelf.toml") for each in screen.arguments]
    status, text = _printed(arguments)
    with contextlib.suppress(ValueError):  # one document: a line for each of its values
        text = json.dumps(json.loads(text), indent=1, ensure_ascii=False)
    text = text.replace(str(place), "PLACE")
    text = re.sub(r"(?m)[ \t]+$", "", text)
    if not screen.figures:
        text = re.sub(r"[▁▂▃▄▅▆▇█]+", "▄", re.sub(r"[·^v]{3,}", "···", text))
        text = re.sub(r"-?\d+(?:[.,]\d+)*(?:e-?\d+)?", "0", text)
        text = re.sub(r"(?<=\S) {2,}", "  ", re.sub(r"─+|━+", "──", text))
    return f"exit status {status}\n{text.rstrip()}\n"


def _printed(arguments: list[str]) -> tuple[int, str]:
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        status = status_of(arguments)
    return status, out.getvalue()


@contextlib.contextmanager
def surroundings(place: Path) -> Iterator[None]:
    """Set up the example with a day of records: the pump ran at noon, and an hour is missing."""
    environment = {"STATE_DIRECTORY": str(place), "COLUMNS": "100", "NO_COLOR": "1", "TZ": "UTC"}
    with (
        contextlib.chdir(place),  # a path of another length would break lines elsewhere
        mock.patch.dict(os.environ, environment),
        mock.patch("controller.cli.check.host_findings", return_value=()),
    ):
        (place / "shelf.toml").write_bytes(CONFIG.read_bytes())
        rows = ["time,air_c,reservoir_c,room_c,pump,fan,swap_packs"]
        for minute in range(24 * 60):
            hour = minute // 60
            if hour != 3:
                on = int(hour == 12 or (hour == 13 and minute % 60 < 30))
                at = BEGINS + timedelta(minutes=minute)
                air_c, swap = 15.0 + minute % 60 / 20.0, "4" if minute == 8 * 60 else ""
                rows.append(f"{at.isoformat()},{air_c},{4.5 + minute / 1440},24.0,{on},{on},{swap}")
        (place / "day.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        status, text = _printed(["import", "shelf.toml", "--csv", "day.csv"])
        assert status == 0, text
        yield


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, surroundings(Path(folder)):
        for name, screen in SCREENS.items():
            text = shown(screen, Path(folder))
            (FOLDER / f"{name}.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
