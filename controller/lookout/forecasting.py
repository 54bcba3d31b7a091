"""Forecasts of one chamber from its records, as they are published."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path

from controller.domain.events import STAGE
from controller.domain.places import records_path
from controller.domain.published_forecast import (
    LearnedFigure,
    PackShortage,
    PlannedChange,
    PublishedForecast,
)
from controller.foresight.forecast import Forecast
from controller.foresight.forecaster import learned_since_s
from controller.foresight.swap_plan import SwapPlan
from controller.foresight.unknowns import Unknowns
from controller.history.recorded_samples import logged_swaps, sample_of
from controller.lookout.outdoor_forecast import WeatherFile
from controller.records.reader import last_event, read_readings
from controller.records.requests_file import REQUESTS, swaps
from controller.settings.foresight_of import forecaster_of, local_hour
from controller.settings.load import Settings

LEARNED = (
    ("coil_w_k", "coil", 1.0),
    ("water_kj_k", "water", 1000.0),
    ("leak_w_k", "leak", 1.0),
    ("packs_conductance_w_k", "packs", 1.0),
    ("set_of_packs_kj", "worth", 1000.0),
)
"""Keys of what was learned, the unknown behind each, and its divisor."""
OVERLAP_S = 600.0
"""Rows may come into the records this late, in their batch [s]."""


class RecordsForecaster:
    """Makes forecasts from the records as time goes on, and reads only what is new."""

    def __init__(
        self,
        settings: Settings,
        place: Path,
        *,
        folder: Path | None = None,
    ) -> None:
        """Begin with the sized values.

        Args:
            settings: The configuration.
            place: The instance's state directory.
            folder: The configuration's, for a forecast of the weather; None: none is read.

        Raises:
            PhysicsError: The plant's figures are outside their range.
        """
        self._records = records_path(settings.records.path, place)
        self._requests = place / REQUESTS
        self._zone = settings.site.zone()
        self._settings = settings
        self._stage: str | None = None
        """The one that the forecaster goes by; None: the configuration's."""
        self._forecaster = forecaster_of(settings)
        self._read_until_s: float | None = None
        self._weather = WeatherFile(settings, folder) if folder is not None else None

    def forecast(self, as_of: datetime) -> PublishedForecast:
        """Return the forecast of an instant; only what was recorded and noted before it counts.

        Args:
            as_of: Aware.

        Raises:
            OSError: Nothing is recorded, or it cannot be read.
        """
        self._go_by_stage(as_of)
        self._read_on(as_of)
        now_s = as_of.timestamp()
        logged = logged_swaps(swaps(self._requests), as_of)
        notes: tuple[str, ...] = ()
        if self._weather is not None:
            outdoors, notes = self._weather.outdoors(self._hour_at, now_s=now_s)
            self._forecaster.weather(outdoors)
        forecast = self._forecaster.forecast(logged, now_s=now_s)
        forecast = replace(forecast, notes=(*forecast.notes, *notes))
        plan = self._forecaster.plan(forecast, logged)
        return published(forecast, plan, zone=self._zone)

    def _go_by_stage(self, as_of: datetime) -> None:
        """Go by the stage that was in force then: a person may have put another one in force."""
        last = last_event(self._records, before=as_of, kind=STAGE)
        stage = None if last is None else last.name
        if stage != self._stage:
            self._stage, self._read_until_s = stage, None
            self._forecaster = forecaster_of(self._settings, stage)

    def _read_on(self, as_of: datetime) -> None:
        now_s = as_of.timestamp()
        since_s = learned_since_s(now_s)
        if self._read_until_s is not None and since_s < self._read_until_s <= now_s:
            since_s = max(since_s, self._read_until_s - OVERLAP_S)
        since = datetime.fromtimestamp(since_s, UTC)
        read = read_readings(self._records, since=since, until=as_of)
        self._forecaster.add(map(sample_of, read), since_s=since_s)
        self._read_until_s = now_s

    def _hour_at(self, at_s: float) -> float:
        return local_hour(at_s, self._zone)


def guarded(
    make: Callable[[datetime], PublishedForecast], report: Callable[[str], object]
) -> Callable[[datetime], PublishedForecast | None]:
    """Return a maker of forecasts that never raises: what went wrong is reported once.

    Args:
        make: Makes a forecast.
        report: Gets what is wrong.
    """
    last = ""

    def safely(as_of: datetime) -> PublishedForecast | None:
        nonlocal last
        try:
            forecast = make(as_of)
        except (OSError, ValueError, ArithmeticError) as error:
            if str(error) != last:
                report(f"no forecast: {error}")
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
        local = datetime.fromtimestamp(at_s, UTC).astimezone(zone).replace(microsecond=0)
        # with its offset alone, as whoever reads the file gets it: instants in one zone differ by
        # what the clock on the wall shows, also over a change of that clock
        return local.replace(tzinfo=timezone(local.utcoffset() or timedelta()))

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
        freezer_keeps_up=None if situation is None else not plan.short,
        shortage=None
        if plan.shortage is None
        else PackShortage(
            warm_from=instant(plan.shortage.from_s),
            peak_k=round(plan.shortage.peak_k, 2),
            packs=plan.shortage.packs,
            freeze_now=plan.shortage.freeze_now,
        ),
        degree_hours_above=None if situation is None else round(plan.too_warm_k_h, 2),
        learned=_learned(forecast),
    )


def _learned(forecast: Forecast) -> dict[str, LearnedFigure]:
    """Return what is believed of the equipment."""
    situation = forecast.situation
    if situation is None:
        return {}
    belief = situation.fitted.belief
    return {
        key: LearnedFigure(
            value=round(math.exp(getattr(belief.mean, name)) / divisor, 3),
            sd_share=round(math.sqrt(max(0.0, belief.covariance[place][place])), 3),
        )
        for key, name, divisor in LEARNED
        for place in (Unknowns._fields.index(name),)
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
