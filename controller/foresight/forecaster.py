"""The one forecaster: samples and notes go in as they come, forecast and plan come out.

Command, lookout and rehearsal use it alike. What a forecast says depends on the samples, the notes
and the instant only, not on when forecasts were asked for before.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from controller.foresight.band import HeldBand
from controller.foresight.bins import BinLog, RecordedSample
from controller.foresight.course import HourAt
from controller.foresight.forecast import Forecast, make_forecast
from controller.foresight.learning import Learning
from controller.foresight.outdoors import Outdoors
from controller.foresight.sized import Sized
from controller.foresight.swap_plan import SwapPlan, plan_swaps
from controller.foresight.swaps import Logged
from controller.foresight.visits import Habits

DAY_S = 86_400.0
LEARNED_FROM_S = 10 * DAY_S
"""How far back sets of packs are learned from [s]."""


def learned_since_s(now_s: float) -> float:
    """Return since when is learned from at an instant [s since 1970].

    It moves at midnight UTC only, so that everybody who asks on one day learns from the same sets.
    """
    return (now_s - LEARNED_FROM_S) // DAY_S * DAY_S


class Forecaster:
    """Makes forecasts as time goes on."""

    def __init__(
        self, sized: Sized, band: HeldBand, habits: Habits, *, hour_at: HourAt, room_probe: bool
    ) -> None:
        """Begin with the sized values.

        Args:
            sized: The plant as its owner describes it.
            band: What the air is held between.
            habits: The grower and the freezer.
            hour_at: Local hour at an instant.
            room_probe: Whether a room probe is fitted.
        """
        self.habits = habits
        self._hour_at = hour_at
        self._learning = Learning(sized, band, hour_at=hour_at, room_probe=room_probe)
        self._bins = BinLog()
        self._since_s = 0.0

    def add(self, samples: Iterable[RecordedSample], *, since_s: float | None = None) -> None:
        """Take what the probes showed.

        Args:
            samples: In the order of time.
            since_s: What was given from this instant on is replaced [s since 1970]; None: these
                come after everything given before.
        """
        self._bins.add(samples, since_s=since_s)

    def weather(self, outdoors: Outdoors | None) -> None:
        """Take a forecast of the weather, None where there is none."""
        self._learning.outdoors = outdoors

    def forecast(self, logged: Sequence[Logged], *, now_s: float) -> Forecast:
        """Return the forecast at an instant.

        Args:
            logged: Pack changes that people noted; later ones are not looked at.
            now_s: The instant [s since 1970]; no earlier than that of the forecast before.
        """
        since_s = learned_since_s(now_s)
        if since_s != self._since_s:
            self._since_s = since_s
            self._bins.forget_before(since_s)
            self._learning.forget()
        return make_forecast(self._learning, self._bins.until(now_s), logged, now_s=now_s)

    def plan(
        self, forecast: Forecast, logged: Sequence[Logged], *, habits: Habits | None = None
    ) -> SwapPlan:
        """Return the plan for the next two days.

        Args:
            forecast: The forecast that it follows from.
            logged: Pack changes that people noted.
            habits: Somebody else than the usual grower.
        """
        return plan_swaps(forecast, logged, habits or self.habits, hour_at=self._hour_at)


def packs_due(forecast: Forecast, *, lead_s: float) -> bool | None:
    """Return whether packs must be changed soon; None where nothing is known.

    Args:
        forecast: The forecast; its early bound decides.
        lead_s: How long before it they count as due [s].
    """
    if forecast.basis == "unknown":
        return None
    return forecast.early_s is not None and forecast.as_of_s >= forecast.early_s - lead_s
