"""What a lookout beside the chamber would do: rows, forecasts, the plan, notices to the person."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from controller.domain.temperatures import Seen
from controller.rehearsal.notified import NoticeSource, NotifiedPerson, OutsideView
from controller.rehearsal.plain_switch import PlainSwitch
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.rehearsal.trace_row import TraceRow
from controller.service.loop import ControlLoop
from controller.settings.load import Settings
from controller.settings.scenario_file import GrowerScript

if TYPE_CHECKING:
    from controller.foresight.forecast import Forecast
    from controller.foresight.swap_plan import SwapPlan
    from controller.rehearsal.dry_forecaster import DryForecaster

SETTLED_S = 1200.0
"""After a swap, the next forecast waits until the reservoir shows it [s]."""


class DryLookout:
    """Sees of a rehearsal what the records would hold, and nothing else."""

    def __init__(
        self,
        settings: Settings,
        clock: SimulatedClock,
        script: GrowerScript,
        *,
        running: Callable[[], tuple[bool, bool]],
        trace: Callable[[TraceRow], None] | None,
        forecaster: DryForecaster | None,
        notifier: NoticeSource | None,
    ) -> None:
        """Begin with nothing seen.

        Args:
            settings: The chamber.
            clock: Of the rehearsal.
            script: The person, for the hours of the plan.
            running: Says whether pump and fan really run.
            trace: Is given every row.
            forecaster: Forecasts as the lookout would; None: nobody forecasts.
            notifier: Decides on notices; None: the person sees every alarm at once.
        """
        self.swap_due: bool | None = None
        """What it reports to the control: whether packs are due; None while it knows nothing."""
        self.least_frozen = 1.0
        """Share to which the packs of the planned change have frozen at least."""
        self.forecasts: list[dict[str, float | None]] = []
        """For the document of the rehearsal."""
        self.notified = NotifiedPerson()
        self._settings = settings
        self._clock = clock
        self._script = script
        self._running = running
        self._trace = trace
        self._forecaster = forecaster
        self._notifier = notifier
        self._forecast_due_s = 0.0
        self._planned_s: float | None = None
        self._foreseen: tuple[Forecast, SwapPlan | None] | None = None
        self._last_swap: tuple[float, int] | None = None
        self._swapped_since_row: int | None = None

    @property
    def notices(self) -> list[dict[str, float | str | bool]]:
        """What the person was told, for the document of the rehearsal."""
        return self.notified.notices

    @property
    def looks_each_minute(self) -> bool:
        """Whether it must see a row each minute."""
        return not (self._forecaster is None and self._notifier is None)

    @property
    def is_there(self) -> bool:
        """Whether anybody asks for rows."""
        return self._trace is not None or self.looks_each_minute

    @property
    def notifies(self) -> bool:
        """Whether the person knows of alarms by its notices."""
        return self._notifier is not None

    def is_time(self, local: datetime) -> bool | None:
        """Return whether the planned change of packs has come; None: there is no plan."""
        return None if self._planned_s is None else local.timestamp() >= self._planned_s

    def power_is_back(self) -> None:
        """Forget what was reported: a control that begins anew knows nothing."""
        self.swap_due = None

    def swapped(self, packs: int, at_s: float) -> None:
        """Take note of a swap that the person logs [s since the start]."""
        self._planned_s, self._forecast_due_s = None, at_s + SETTLED_S
        self._last_swap = at_s, packs
        self._swapped_since_row = packs
        self.notified.swapped()

    def look(
        self,
        loop: ControlLoop | PlainSwitch,
        now: float,
        *,
        powered: bool,
        awake: Callable[[datetime], bool],
    ) -> None:
        """Write a row of what the probes show, forecast from it, and notify.

        Args:
            loop: The control.
            now: Monotonic instant [s].
            powered: Whether the machine has power; without it nothing is foreseen.
            awake: Whether the person is, by the local time; asked for notices alone.
        """
        at_s = now - self._clock.origin
        control = loop if powered and isinstance(loop, ControlLoop) else None
        if self._trace is not None or self._forecaster is not None:
            row = self._row(now, loop)
            if self._trace is not None:
                self._trace(row)
            if self._forecaster is not None and control is not None:
                self._foresee(self._forecaster, row, at_s)
        if self._notifier is not None and control is not None:
            self._notify(self._notifier, control, at_s, awake=awake)

    def _row(self, now: float, loop: ControlLoop | PlainSwitch) -> TraceRow:
        readings = {
            name: reading.value_mc if isinstance(reading, Seen) else None
            for name, sieve in loop.sieves.items()
            for reading in (sieve.reading(now),)
        }
        swapped, self._swapped_since_row = self._swapped_since_row, None
        pump, fan = self._running()
        return TraceRow(
            time=self._clock.local(),
            readings_mc=readings,
            pump=pump,
            fan=fan,
            swap_packs=swapped,
        )

    def _foresee(self, forecaster: DryForecaster, row: TraceRow, at_s: float) -> None:
        now_s = row.time.timestamp()
        if row.swap_packs:
            forecaster.swapped(now_s, row.swap_packs)
        air_c, water_c, room_c = (
            None if value is None else value / 1000
            for value in (row.readings_mc.get(name) for name in ("air", "reservoir", "room"))
        )
        forecaster.seen(
            now_s, air_c=air_c, reservoir_c=water_c, room_c=room_c, cooling=row.pump and row.fan
        )
        if at_s < self._forecast_due_s:
            return
        self._forecast_due_s = at_s + forecaster.every_s
        forecast = forecaster.forecast(now_s)
        self.swap_due = forecaster.due(forecast)
        plan = forecaster.plan(forecast, wakes=self._script.wakes, sleeps=self._script.sleeps)
        self._foreseen = forecast, plan
        self._planned_s = None
        if plan is None:
            return
        self._planned_s = plan.swaps[0].at_s if plan.swaps else math.inf
        self.least_frozen = plan.swaps[0].least_frozen if plan.swaps else 1.0

        def t_s(instant_s: float | None) -> float | None:
            return None if instant_s is None else round(instant_s - now_s + at_s, 1)

        self.forecasts.append(
            {
                "t_s": at_s,
                "swap_due_t_s": t_s(forecast.due_s),
                "early_t_s": t_s(forecast.early_s),
                "late_t_s": t_s(forecast.late_s),
            }
        )

    def _notify(
        self,
        notifier: NoticeSource,
        loop: ControlLoop,
        at_s: float,
        *,
        awake: Callable[[datetime], bool],
    ) -> None:
        """Let it be decided what the person is told now."""
        # what travels between processes, which few rehearsals need
        from controller.domain.requests import LoggedSwap  # noqa: PLC0415
        from controller.records.status_file import Clocks, status_of  # noqa: PLC0415

        if loop.inputs is None:
            return  # the loop has not turned yet
        clock, chamber, local = self._clock, self._settings.chamber, self._clock.local()
        status = status_of(
            loop.state,
            loop.inputs,
            loop.law,
            Clocks(now=clock.monotonic(), local=local, boot_id=None, boottime_s=at_s),
            chamber=chamber.name,
            stage=chamber.stage,
            tick_s=self._settings.timing.tick,
        )
        last_swap = None
        if self._last_swap is not None:
            swapped_s, packs = self._last_swap
            at = local - timedelta(seconds=at_s - swapped_s)
            last_swap = LoggedSwap(at=at, packs=packs, logged_at=at, frozen_through=None)
        forecast, plan = self._foreseen or (None, None)
        notifications = notifier(
            OutsideView(now=local, status=status, last_swap=last_swap, forecast=forecast, plan=plan)
        )
        self.notified.take(notifications, at_s, asleep=not awake(local))
