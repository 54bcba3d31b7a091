"""Looks at the chamber every few seconds, forecasts every few minutes, and tells who listens."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import structlog

from controller.domain.forecast import PublishedForecast
from controller.records.forecast_file import FRESH_FOR, write_forecast
from controller.records.snapshot import Snapshot, take_snapshot

LOOK_EVERY_S = 5.0
FORECAST_EVERY_S = 300.0
SLOW_AFTER_S = 600.0
"""A forecast that takes longer than this is spoken of."""
_MOST_TOLD = 50

_log = structlog.get_logger("coldpin.lookout")

Listener = Callable[[Snapshot], object]
MakeForecast = Callable[[datetime], PublishedForecast | None]
Aside = Callable[[Callable[[], None]], object]
"""Has something done, at once or beside what goes on."""


def at_once(work: Callable[[], None]) -> None:
    """Do it here and now."""
    work()


def in_a_thread(work: Callable[[], None]) -> None:
    """Do it beside what goes on; it ends with the process."""
    threading.Thread(target=work, name="forecast", daemon=True).start()


class Watch:
    """The newest snapshot and the newest forecast, and a thread that renews them."""

    def __init__(
        self,
        place: Path,
        *,
        forecast: MakeForecast,
        listeners: Sequence[Listener] = (),
        aside: Aside = at_once,
    ) -> None:
        """Take a first look; nothing runs until `begin`.

        Args:
            place: The instance's state directory.
            forecast: Makes a forecast, None where there is none.
            listeners: Are given every snapshot.
            aside: Where forecasts are made; one at a time, and looking waits for none.
        """
        self._place = place
        self._make_forecast = forecast
        self._listeners = tuple(listeners)
        self._forecast: PublishedForecast | None = None
        self._aside = aside
        self._made_at: datetime | None = None
        """When the newest forecast was begun."""
        self._begun_at: datetime | None = None
        """When one was begun last."""
        self._busy = False
        self._told: set[str] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="watch", daemon=True)

    def now(self, at: datetime | None = None) -> Snapshot:
        """Return how the chamber is now, with the newest forecast while that is fresh."""
        at = datetime.now(UTC) if at is None else at
        made_at = self._made_at
        fresh = made_at is not None and abs(at - made_at) <= FRESH_FOR
        return take_snapshot(self._place, taken_utc=at, forecast=self._forecast if fresh else None)

    def step(self, at: datetime) -> Snapshot:
        """Look once, forecast where it is time to, and tell the listeners.

        A listener that fails is named once and does not keep the others from being told.
        """
        begun_at = self._begun_at
        away_s = float("inf") if begun_at is None else (at - begun_at).total_seconds()
        if self._busy:
            if away_s > SLOW_AFTER_S:
                self._tell("forecast_slow", f"not made within {SLOW_AFTER_S / 60:.0f} min")
        elif not 0 <= away_s < FORECAST_EVERY_S or self._is_of_old_packs(at):
            self._begun_at, self._busy = at, True
            self._aside(lambda: self._renew(at))
        snapshot = self.now(at)
        for listener in self._listeners:
            try:
                listener(snapshot)
            except Exception as error:  # noqa: BLE001 - whatever it is, the others must hear
                self._tell("listener_failed", f"{type(error).__name__}: {error}")
        return snapshot

    def _is_of_old_packs(self, at: datetime) -> bool:
        """Return whether packs were logged since the newest forecast was begun."""
        swap = self.now(at).last_swap
        return swap is not None and self._begun_at is not None and swap.logged_at > self._begun_at

    def _renew(self, at: datetime) -> None:
        """Make a forecast and keep it; where that fails there is none, and the watch goes on."""
        made: PublishedForecast | None = None
        try:
            made = self._make_forecast(at)
        except Exception as error:  # noqa: BLE001 - no forecast is worth the watch
            self._tell("forecast_failed", f"{type(error).__name__}: {error}")
        self._forecast, self._made_at = made, at
        self._keep_forecast()
        self._busy = False

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
            self._tell("forecast_not_kept", str(error))

    def _work(self) -> None:
        while not self._stop.is_set():
            try:
                self.step(datetime.now(UTC))
            except Exception as error:  # noqa: BLE001 - the next look may succeed
                self._tell("look_failed", f"{type(error).__name__}: {error}")
            self._stop.wait(LOOK_EVERY_S)

    def _tell(self, event: str, text: str) -> None:
        """Log what is wrong, once."""
        if text in self._told:
            return
        if len(self._told) >= _MOST_TOLD:
            self._told.clear()
        self._told.add(text)
        _log.warning(event, error=text)
