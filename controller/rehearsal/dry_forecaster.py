"""The lookout's forecast in a rehearsal, from what the simulated probes showed and nothing else."""

from __future__ import annotations

from dataclasses import replace
from datetime import time

from controller.foresight.bins import Sample, bins_of
from controller.foresight.forecast import Forecast, make_forecast
from controller.foresight.learning import Learning
from controller.foresight.swap_plan import SwapPlan, plan_swaps
from controller.foresight.swaps import Logged
from controller.settings.foresight_of import habits_of, held_band_of, hour_of, local_hour, sized_of
from controller.settings.load import Settings

EVERY_S = 1800.0
"""The lookout forecasts every few minutes; a rehearsal that did would take minutes a day."""
LOOKED_BACK_S = 10 * 86_400.0


class DryForecaster:
    """Forecasts as simulated time goes on."""

    def __init__(self, settings: Settings) -> None:
        """Begin with the sized values.

        Raises:
            PhysicsError: The plant's figures are outside their range.
        """
        stage = settings.stages[settings.chamber.stage]
        self._zone = settings.site.zone()
        self._learning = Learning(
            sized_of(settings, stage),
            held_band_of(settings, stage),
            hour_at=self._hour_at,
            room_probe=settings.probes.room is not None,
        )
        self._samples: list[Sample] = []
        self._logged: list[Logged] = []
        self._habits = habits_of(settings)
        self._lead_s = max(settings.notices.swap_due_before, default=0.0)

    def seen(self, sample: Sample) -> None:
        """Take what the probes showed."""
        self._samples.append(sample)

    def swapped(self, at_s: float, packs: int) -> None:
        """Take note of a swap that a person logged."""
        self._logged.append(Logged(at_s=at_s, packs=packs))

    def forecast(self, now_s: float) -> Forecast:
        """Return the forecast at an instant [s since 1970]."""
        begins_s = now_s - LOOKED_BACK_S
        if self._samples and self._samples[0].at_s < begins_s - 86_400.0:
            self._samples = [sample for sample in self._samples if sample.at_s >= begins_s]
        bins = list(bins_of(self._samples, until_s=now_s))
        return make_forecast(self._learning, bins, self._logged, now_s=now_s)

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
        habits = replace(self._habits, wakes_h=hour_of(wakes), sleeps_h=hour_of(sleeps))
        return plan_swaps(forecast, self._logged, habits, hour_at=self._hour_at)

    def due(self, forecast: Forecast) -> bool | None:
        """Return whether packs are due, by the longest lead; None where nothing is known."""
        if forecast.basis == "unknown":
            return None
        return forecast.early_s is not None and forecast.as_of_s >= forecast.early_s - self._lead_s

    def _hour_at(self, at_s: float) -> float:
        return local_hour(at_s, self._zone)
