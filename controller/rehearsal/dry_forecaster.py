"""The lookout's forecast in a rehearsal, from what the simulated probes showed and nothing else."""

from __future__ import annotations

from dataclasses import replace
from datetime import time

from controller.domain.daytime import hour_of
from controller.foresight.bins import RecordedSample
from controller.foresight.forecast import Forecast
from controller.foresight.forecaster import packs_due
from controller.foresight.swap_plan import SwapPlan
from controller.foresight.swaps import Logged
from controller.settings.foresight_of import forecaster_of
from controller.settings.load import Settings


class DryForecaster:
    """Forecasts as simulated time goes on."""

    every_s = 1800.0
    """The lookout forecasts every few minutes; a rehearsal that did would take minutes a day."""

    def __init__(self, settings: Settings) -> None:
        """Begin with the sized values.

        Raises:
            PhysicsError: The plant's figures are outside their range.
        """
        self._forecaster = forecaster_of(settings)
        self._logged: list[Logged] = []
        self._lead_s = settings.notices.longest_lead_s

    def seen(
        self,
        at_s: float,
        *,
        air_c: float | None,
        reservoir_c: float | None,
        room_c: float | None,
        cooling: bool,
    ) -> None:
        """Take what the probes showed at an instant [s since 1970], None for nothing."""
        self._forecaster.add((RecordedSample(at_s, air_c, reservoir_c, room_c, cooling),))

    def swapped(self, at_s: float, packs: int) -> None:
        """Take note of a swap that a person logged."""
        self._logged.append(Logged(at_s=at_s, packs=packs))

    def forecast(self, now_s: float) -> Forecast:
        """Return the forecast at an instant [s since 1970]."""
        return self._forecaster.forecast(self._logged, now_s=now_s)

    def plan(self, forecast: Forecast, *, wakes: time, sleeps: time) -> SwapPlan | None:
        """Return the plan for the next two days.

        Args:
            forecast: The forecast that the plan follows from.
            wakes: When the person gets up.
            sleeps: When the person goes to bed.

        Returns:
            None where nothing is known yet.
        """
        if forecast.basis == "unknown":
            return None
        habits = replace(self._forecaster.habits, wakes_h=hour_of(wakes), sleeps_h=hour_of(sleeps))
        return self._forecaster.plan(forecast, self._logged, habits=habits)

    def due(self, forecast: Forecast) -> bool | None:
        """Return whether packs are due, by the longest lead; None where nothing is known."""
        return packs_due(forecast, lead_s=self._lead_s)
