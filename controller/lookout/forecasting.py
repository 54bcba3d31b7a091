"""Forecasts of one chamber from its records, as they are published."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from controller.domain.forecast import LearnedFigure, PlannedChange, PublishedForecast
from controller.domain.places import records_path
from controller.foresight.bins import Sample, bins_of
from controller.foresight.forecast import Forecast, make_forecast
from controller.foresight.learning import Learning
from controller.foresight.swap_plan import SwapPlan, plan_swaps
from controller.foresight.swaps import Logged
from controller.foresight.water_side import COIL, LEAK, PACKS, WATER, WORTH
from controller.history.samples import logged_swaps, sample_of
from controller.lookout.weather_file import WeatherFile
from controller.records.reader import read_readings
from controller.records.requests import REQUESTS, swaps
from controller.settings.foresight_of import habits_of, held_band_of, local_hour, sized_of
from controller.settings.load import Settings

LOOKED_BACK = timedelta(days=10)
OVERLAP = timedelta(minutes=10)
_LEARNED = (
    ("coil", COIL, "w_k", 1.0),
    ("water", WATER, "kj_k", 1000.0),
    ("leak", LEAK, "w_k", 1.0),
    ("packs_conductance", PACKS, "w_k", 1.0),
    ("set_of_packs", WORTH, "kj", 1000.0),
)


class Forecaster:
    """Makes forecasts as time goes on, and reads only what is new."""

    def __init__(
        self,
        settings: Settings,
        place: Path,
        *,
        folder: Path | None = None,
        stage: str | None = None,
    ) -> None:
        """Begin with the sized values.

        Args:
            settings: The configuration.
            place: The instance's state directory.
            folder: The configuration's, for a forecast of the weather; None: none is looked at.
            stage: The stage in force; None: the configuration's.

        Raises:
            PhysicsError: The plant's figures are outside their range.
        """
        self._records = records_path(settings.records.path, place)
        self._requests = place / REQUESTS
        self._zone = settings.site.zone()
        self._habits = habits_of(settings)
        chosen = settings.stages.get(stage or "") or settings.stages[settings.chamber.stage]
        self._learning = Learning(
            sized_of(settings, chosen),
            held_band_of(settings, chosen),
            hour_at=self._hour_at,
            room_probe=settings.probes.room is not None,
        )
        self._samples: list[Sample] = []
        self._weather = WeatherFile(settings, folder) if folder is not None else None

    def forecast(self, as_of: datetime) -> PublishedForecast:
        """Return the forecast of an instant; only what was recorded and noted before it counts.

        Args:
            as_of: Aware.

        Raises:
            OSError: Nothing is recorded, or it cannot be read.
        """
        self._read_on(as_of)
        logged = logged_swaps(swaps(self._requests), as_of)
        return self.forecast_of(self._samples, logged, as_of)

    def forecast_of(
        self, samples: Iterable[Sample], logged: list[Logged], as_of: datetime
    ) -> PublishedForecast:
        """Return the forecast from samples that are at hand."""
        now_s = as_of.timestamp()
        bins = list(bins_of(samples, until_s=now_s))
        notes: tuple[str, ...] = ()
        if self._weather is not None:
            self._learning.outdoors, notes = self._weather.outdoors(self._hour_at, now_s=now_s)
        forecast = make_forecast(self._learning, bins, logged, now_s=now_s)
        forecast = replace(forecast, notes=(*forecast.notes, *notes))
        plan = plan_swaps(forecast, logged, self._habits, hour_at=self._hour_at)
        return published(forecast, plan, zone=self._zone)

    def _read_on(self, as_of: datetime) -> None:
        begins_s = (as_of - LOOKED_BACK).timestamp()
        kept = [sample for sample in self._samples if sample.at_s >= begins_s]
        since = as_of - LOOKED_BACK
        if kept and kept[-1].at_s < as_of.timestamp():
            # rows of the last minutes may have come in late, in their batch
            since = datetime.fromtimestamp(kept[-1].at_s, UTC) - OVERLAP
            since_s = since.timestamp()
            kept = [sample for sample in kept if sample.at_s < since_s]
        else:
            kept = []
        read = read_readings(self._records, since=since, until=as_of)
        # runs may overlap where a clock was set: the order of time counts here
        self._samples = sorted([*kept, *(sample_of(row) for row in read)], key=lambda s: s.at_s)

    def _hour_at(self, at_s: float) -> float:
        return local_hour(at_s, self._zone)


def guarded(
    make: Callable[[datetime], PublishedForecast], told: Callable[[str], object]
) -> Callable[[datetime], PublishedForecast | None]:
    """Return a maker of forecasts that never raises: what went wrong is told once.

    Args:
        make: Makes a forecast.
        told: Is told what is wrong.
    """
    last = ""

    def safely(as_of: datetime) -> PublishedForecast | None:
        nonlocal last
        try:
            forecast = make(as_of)
        except (OSError, ValueError, ArithmeticError) as error:
            if str(error) != last:
                told(f"no forecast: {error}")
            last = str(error)
            return None
        last = ""
        return forecast

    return safely


def published(forecast: Forecast, plan: SwapPlan, *, zone: tzinfo | None) -> PublishedForecast:
    """Return a forecast as other rooms, people and programs get it.

    Args:
        forecast: The forecast.
        plan: What follows from it.
        zone: The chamber's zone; None: the machine's.
    """

    def at(at_s: float | None) -> datetime | None:
        return None if at_s is None else instant(at_s)

    def instant(at_s: float) -> datetime:
        return datetime.fromtimestamp(at_s, UTC).astimezone(zone).replace(microsecond=0)

    useful_c, situation = forecast.useful_until_c, forecast.situation
    return PublishedForecast(
        as_of=instant(forecast.as_of_s),
        swap_due=at(forecast.due_s),
        early=at(forecast.early_s),
        late=at(forecast.late_s),
        reserve_kj=_rounded(forecast.reserve_kj),
        reserve_early_kj=_rounded(forecast.reserve_early_kj),
        reserve_late_kj=_rounded(forecast.reserve_late_kj),
        taken_up_kj=_rounded(forecast.taken_up_kj),
        useful_until_c=None if useful_c is None else round(useful_c, 2),
        cycles_learned=forecast.cycles_learned,
        basis=forecast.basis,
        swapped_at=None if situation is None else at(situation.swap.at_s),
        swap_logged=None if situation is None else situation.swap.packs is not None,
        notes=forecast.notes,
        plan=tuple(
            PlannedChange(
                at=instant(swap.at_s),
                packs=swap.packs,
                why=swap.why,
                degree_hours_above=round(swap.too_warm_k_h, 2),
            )
            for swap in plan.swaps
        ),
        freezer_keeps_up=not plan.short,
        degree_hours_above=round(plan.too_warm_k_h, 2),
        learned=_learned(forecast),
    )


def _learned(forecast: Forecast) -> dict[str, LearnedFigure]:
    """Return what is believed of the equipment."""
    situation = forecast.situation
    if situation is None:
        return {}
    belief = situation.fitted.belief
    return {
        f"{name}_{unit}": LearnedFigure(
            value=round(math.exp(belief.mean[place]) / divisor, 3),
            sd_share=round(math.sqrt(max(0.0, belief.covariance[place][place])), 3),
        )
        for name, place, unit, divisor in _LEARNED
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
