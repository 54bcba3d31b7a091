"""Takes a snapshot every few seconds, forecasts every few minutes, and passes them to listeners."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from controller.domain.published_forecast import PublishedForecast
from controller.lookout.problem_log import ProblemLog
from controller.lookout.worker import Worker
from controller.records.forecast_file import FRESH_FOR, write_forecast
from controller.records.snapshot import Snapshot, take_snapshot
from controller.system_zone import follow_system_zone

SNAPSHOT_EVERY_S = 5.0
FORECAST_EVERY_S = 300.0
SLOW_AFTER_S = 600.0
"""A forecast that takes longer than this is logged."""

Listener = Callable[[Snapshot], object]
MakeForecast = Callable[[datetime], PublishedForecast | None]
Runner = Callable[[Callable[[], None]], object]
"""Runs a piece of work, at once or in a thread."""


def run_at_once(work: Callable[[], None]) -> None:
    """Run it, and return when it is done."""
    work()


def run_in_thread(work: Callable[[], None]) -> None:
    """Run it in a thread that ends with the process."""
    threading.Thread(target=work, name="forecast", daemon=True).start()


class Watch(Worker):
    """The newest snapshot and the newest forecast, and a thread that renews them."""

    def __init__(
        self,
        place: Path,
        *,
        forecast: MakeForecast,
        listeners: Sequence[Listener] = (),
        runner: Runner = run_at_once,
    ) -> None:
        """Prepare; nothing runs until `begin`.

        Args:
            place: The instance's state directory.
            forecast: Makes a forecast, None where there is none.
            listeners: Are given every snapshot.
            runner: Runs the making of a forecast; one at a time, and no snapshot waits for it.
        """
        super().__init__("watch")
        self._place = place
        self._make_forecast = forecast
        self._listeners = tuple(listeners)
        self._forecast: PublishedForecast | None = None
        self._runner = runner
        self._made_at: datetime | None = None
        """When the newest forecast was begun."""
        self._begun_at: datetime | None = None
        """When one was begun last."""
        self._busy = False
        self._problems = ProblemLog("coldpin.lookout")

    def now(self, at: datetime | None = None) -> Snapshot:
        """Return how the chamber is now, with the newest forecast while that is fresh."""
        at = datetime.now(UTC) if at is None else at
        made_at = self._made_at
        fresh = made_at is not None and abs(at - made_at) <= FRESH_FOR
        return take_snapshot(self._place, at_utc=at, forecast=self._forecast if fresh else None)

    def step(self, at: datetime) -> Snapshot:
        """Take a snapshot, have a forecast made where it is time to, and call the listeners.

        A listener that fails is logged once and does not keep the snapshot from the others.
        """
        begun_at = self._begun_at
        away_s = float("inf") if begun_at is None else (at - begun_at).total_seconds()
        if self._busy:
            if away_s > SLOW_AFTER_S:
                self._report("forecast_slow", f"not made within {SLOW_AFTER_S / 60:.0f} min")
        elif not 0 <= away_s < FORECAST_EVERY_S or self._is_of_old_packs(at):
            self._begun_at, self._busy = at, True
            self._runner(lambda: self._renew(at))
        snapshot = self.now(at)
        for listener in self._listeners:
            try:
                listener(snapshot)
            except Exception as error:  # noqa: BLE001 - whatever it is, the others get theirs
                self._report("listener_failed", f"{type(error).__name__}: {error}")
        return snapshot

    def _is_of_old_packs(self, at: datetime) -> bool:
        """Return whether packs were logged since the newest forecast was begun."""
        swap, begun_at = self.now(at).last_swap, self._begun_at
        # after a clock that was set back one may be logged in the future: that is no news each time
        return swap is not None and begun_at is not None and begun_at < swap.logged_at <= at

    def _renew(self, at: datetime) -> None:
        """Make a forecast and keep it; where that fails there is none, and the watch goes on."""
        made: PublishedForecast | None = None
        try:
            made = self._make_forecast(at)
        except Exception as error:  # noqa: BLE001 - no forecast is worth the watch
            self._report("forecast_failed", f"{type(error).__name__}: {error}")
        if self._stop.is_set():
            return  # another watch, of another configuration perhaps, has begun meanwhile
        self._forecast, self._made_at = made, at
        self._keep_forecast()
        self._busy = False

    def _keep_forecast(self) -> None:
        """Write the newest forecast where a command reads it instead of making one of its own."""
        try:
            write_forecast(self._place, self._forecast)
        except OSError as error:
            self._report("forecast_not_kept", str(error))

    def _work(self) -> None:
        while not self._stop.is_set():
            try:
                follow_system_zone()
                self.step(datetime.now(UTC))
            except Exception as error:  # noqa: BLE001 - the next snapshot may succeed
                self._report("look_failed", f"{type(error).__name__}: {error}")
            self._stop.wait(SNAPSHOT_EVERY_S)

    def _report(self, event: str, error: str) -> None:
        self._problems.report(error, event, error=error)
