"""Looks at the chamber every few seconds, forecasts every few minutes, and tells who listens."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog

from controller.lookout.snapshot import Snapshot, take_snapshot
from controller.records.forecast_file import write_forecast

LOOK_EVERY_S = 5.0
FORECAST_EVERY_S = 300.0

_log = structlog.get_logger("coldpin.lookout")

Listener = Callable[[Snapshot], object]
MakeForecast = Callable[[datetime], "dict[str, Any] | None"]


class Watch:
    """The newest snapshot and the newest forecast, and a thread that renews them."""

    def __init__(
        self, place: Path, *, forecast: MakeForecast, listeners: Sequence[Listener] = ()
    ) -> None:
        """Take a first look; nothing runs until `begin`.

        Args:
            place: The instance's state directory.
            forecast: Makes a forecast, None where there is none.
            listeners: Are given every snapshot.
        """
        self._place = place
        self._make_forecast = forecast
        self._listeners = tuple(listeners)
        self._forecast: dict[str, Any] | None = None
        self._forecast_at: datetime | None = None
        self._told: set[str] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="watch", daemon=True)

    def now(self, at: datetime | None = None) -> Snapshot:
        """Return how the chamber is now, with the newest forecast."""
        at = datetime.now(UTC) if at is None else at
        return take_snapshot(self._place, taken_utc=at, forecast=self._forecast)

    def step(self, at: datetime) -> Snapshot:
        """Look once, forecast where it is time to, and tell the listeners.

        A listener that fails is named once and does not keep the others from being told.
        """
        due = self._forecast_at is None or not (
            0 <= (at - self._forecast_at).total_seconds() < FORECAST_EVERY_S
        )
        if due:
            self._forecast_at = at
            self._forecast = self._make_forecast(at)
            self._keep_forecast()
        snapshot = self.now(at)
        for listener in self._listeners:
            try:
                listener(snapshot)
            except Exception as error:  # noqa: BLE001 - whatever it is, the others must hear
                self._tell(f"{type(error).__name__}: {error}")
        return snapshot

    def begin(self) -> None:
        """Go on looking in a thread of its own."""
        self._thread.start()

    def close(self) -> None:
        """Stop looking."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2.0)

    def _keep_forecast(self) -> None:
        """Leave the newest forecast where a command finds it without making one of its own."""
        try:
            write_forecast(self._place, self._forecast)
        except OSError as error:
            self._tell(f"the forecast is not kept: {error}")

    def _work(self) -> None:
        while not self._stop.is_set():
            self.step(datetime.now(UTC))
            self._stop.wait(LOOK_EVERY_S)

    def _tell(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            _log.warning("listener_failed", error=text)
