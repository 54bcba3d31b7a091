"""Days of forecasts on chambers drawn at random, line by line, as text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from controller.foresight.forecast import Forecast
from controller.foresight.forecaster import Forecaster
from controller.foresight.swap_plan import SwapPlan
from controller.foresight.visits import Habits
from controller.thermal.freezing import FreezerPace
from tests.benchmarks.drawn_chambers import draw, play

FOLDER = Path(__file__).parent / "tapes"
HOUR_S = 3600.0
DAYS = 3.0
EVERY_H = 7
CHAMBERS = {"ordinary": 6, "quick": 17, "without-a-room-probe": 4}
"""Number of the chamber that is drawn."""


def lines(number: int) -> Iterator[str]:
    """Yield what a forecaster says of a chamber, every few hours of three days.

    A freezer that is short of packs is planned for beside the ordinary one.
    """
    played = play(draw(number, seed=2), days=DAYS)
    drawn = played.drawn
    pace = FreezerPace(refreeze_s=12 * HOUR_S, pack_s=0.0)
    habits = Habits(wakes_h=7.0, sleeps_h=23.0, packs=8, packs_in_set=4, freezer=pace)
    short = replace(habits, packs=5)
    forecaster = Forecaster(
        drawn.believed, drawn.band, habits,
        hour_at=lambda at_s: at_s / HOUR_S % 24.0, room_probe=drawn.room_probe,
    )  # fmt: skip
    given = 0
    for hour in range(EVERY_H, round(24 * DAYS), EVERY_H):
        now_s = hour * HOUR_S
        until = sum(sample.at_s < now_s for sample in played.samples)
        forecaster.add(played.samples[given:until])
        given = until
        logged = [log for at_s, log in played.logged if at_s <= now_s]
        forecast = forecaster.forecast(logged, now_s=now_s)
        yield f"{hour} h: {forecast.basis}, {forecast.cycles_learned} learned {forecast.notes}"
        yield from _forecast(forecast)
        yield from _plan("plan", forecaster.plan(forecast, logged))
        if hour % (3 * EVERY_H) == 0:
            yield from _plan("short", forecaster.plan(forecast, logged, habits=short))


def _forecast(forecast: Forecast) -> Iterator[str]:
    as_of_s = forecast.as_of_s
    for name, at_s in (
        ("due", forecast.due_s),
        ("early", forecast.early_s),
        ("late", forecast.late_s),
    ):
        yield f"  {name} {_h(at_s, as_of_s)}"
    for name in (
        "reserve_kj", "reserve_early_kj", "reserve_late_kj", "useful_until_c", "taken_up_kj"
    ):  # fmt: skip
        value = getattr(forecast, name)
        yield f"  {name} {None if value is None else _figure(value)}"


def _plan(name: str, plan: SwapPlan) -> Iterator[str]:
    yield (
        f"  {name} short {plan.short} after {_figure(plan.after_k_h)} peak {_figure(plan.peak_k)} "
        f"warm_from {_h(plan.warm_from_s, 0.0)}"
    )
    for swap in plan.swaps:
        yield (f"    at {_h(swap.at_s, 0.0)} packs {swap.packs} warm {_figure(swap.too_warm_k_h)}")
    if plan.shortage is not None:
        lacks = plan.shortage
        yield (
            f"    lacks {lacks.packs} now {lacks.freeze_now} from {_h(lacks.from_s, 0.0)} "
            f"peak {_figure(lacks.peak_k)}"
        )


def _h(at_s: float | None, since_s: float) -> str:
    return "None" if at_s is None else _figure((at_s - since_s) / HOUR_S)


def _figure(value: float) -> str:
    return f"{value:.8g}"
