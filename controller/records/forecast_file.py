"""The lookout's newest forecast, in a file that other processes read."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from controller.domain.published_forecast import FORECAST_CODEC, PublishedForecast

FORECAST = "forecast.json"
FRESH_FOR = timedelta(minutes=30)


def write_forecast(place: Path, forecast: PublishedForecast | None) -> None:
    """Replace the file whole, or remove it where there is no forecast.

    It need not outlive a power cut: the next one comes within minutes.

    Args:
        place: The instance's state directory.
        forecast: The newest; None: there is none.

    Raises:
        OSError: It cannot be written.
    """
    path = place / FORECAST
    if forecast is None:
        path.unlink(missing_ok=True)
        return
    fresh = path.with_name(f"{path.name}.new")
    fresh.write_text(FORECAST_CODEC.text(forecast), encoding="utf-8")
    fresh.replace(path)


def read_forecast(place: Path, *, now: datetime) -> PublishedForecast | None:
    """Return the newest forecast, None where there is none or where it is old.

    Args:
        place: The instance's state directory.
        now: Now, aware.
    """
    try:
        forecast = FORECAST_CODEC.read((place / FORECAST).read_bytes())
    except (OSError, ValueError):
        return None
    return forecast if timedelta(minutes=-5) <= now - forecast.as_of <= FRESH_FOR else None
