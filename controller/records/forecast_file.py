"""The lookout's newest forecast, in a file that other processes read."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

FORECAST = "forecast.json"
FRESH_FOR = timedelta(minutes=30)


def write_forecast(place: Path, document: dict[str, Any] | None) -> None:
    """Replace the file whole, or remove it where there is no forecast.

    It need not outlive a power cut: the next one comes within minutes.

    Args:
        place: The instance's state directory.
        document: The forecast.

    Raises:
        OSError: It cannot be written.
    """
    path = place / FORECAST
    if document is None:
        path.unlink(missing_ok=True)
        return
    fresh = path.with_name(f"{path.name}.new")
    fresh.write_text(json.dumps(document, ensure_ascii=False), encoding="utf-8")
    fresh.replace(path)


def read_forecast(place: Path, *, now: datetime) -> dict[str, Any] | None:
    """Return the newest forecast, None where there is none or where it is old.

    Args:
        place: The instance's state directory.
        now: Now, aware.
    """
    try:
        document = json.loads((place / FORECAST).read_text(encoding="utf-8"))
        as_of = datetime.fromisoformat(document["as_of"])
        fresh = timedelta(minutes=-5) <= now - as_of <= FRESH_FOR
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return document if fresh else None
