"""How well swap due is foretold: chambers drawn at random, beside a line and a threshold.

    python -m tests.benchmarks.foresight [--chambers 40] [--days 7] [--seed 2] [--processes 2]
        [--outdoor]

Prints figures and judges nothing. Errors are median and 90 % quantile of the absolute error in
minutes; bias is forecast less truth. Seed 1 was used for tuning (first guesses, widths of bounds),
seed 2 was looked at, seed 3 was not.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing import Pool
from random import Random

from controller.foresight.bins import BIN_S, Bin, bins_of
from controller.foresight.forecast import make_forecast
from controller.foresight.learning import Learning
from controller.foresight.outdoors import Outdoors
from controller.foresight.swaps import Logged
from tests.benchmarks.drawn_chambers import Cycle, PlayedChamber, Weather, draw, play

HOUR_S = 3600.0
LEADS_H = (6, 3, 1)
THRESHOLD_C = 8.0
HOUSE_S = 20 * HOUR_S
LINE_S = 2 * HOUR_S
FARTHEST_S = 24 * HOUR_S


@dataclass(frozen=True, slots=True)
class Judged:
    """One forecast and how far it was off [min]; None: said later than a day."""

    method: str
    lead_h: int
    seen: int
    """Ends of sets seen before."""
    first: bool
    room_probe: bool
    heat_wave: bool
    error_min: float | None
    held: bool | None
    cpu_s: float


def hour_at(at_s: float) -> float:
    return at_s / HOUR_S % 24.0


def recorded(played: PlayedChamber, cycle: Cycle, now_s: float) -> tuple[list[Bin], list[Logged]]:
    """Return what was recorded and logged by an instant, had nobody swapped this set."""
    ended_s = float("inf") if cycle.ended_s is None else cycle.ended_s
    samples = [sample for sample in played.samples if sample.at_s < min(now_s, ended_s)]
    samples += [sample for sample in cycle.samples_after if sample.at_s < now_s]
    logs = [log for at_s, log in played.logged if at_s <= min(now_s, ended_s)]
    return list(bins_of(samples, until_s=now_s)), logs


def line_ahead_s(bins: Sequence[Bin]) -> float | None:
    """Return when a straight line through the water of two hours reaches the threshold [s]."""
    points = [(each.start_s, each.water_c) for each in bins[-int(LINE_S / BIN_S) :]]
    known = [(at, value) for at, value in points if value is not None]
    if len(known) < 6:
        return None
    mean_t = sum(at for at, _ in known) / len(known)
    mean_v = sum(value for _, value in known) / len(known)
    slope = sum((at - mean_t) * (value - mean_v) for at, value in known) / sum(
        (at - mean_t) ** 2 for at, _ in known
    )
    now_c = mean_v + slope * (known[-1][0] - mean_t)
    if now_c >= THRESHOLD_C:
        return 0.0
    ahead_s = (THRESHOLD_C - now_c) / slope if slope > 1e-9 else FARTHEST_S
    return ahead_s if ahead_s < FARTHEST_S else None


def outdoors_of(played: PlayedChamber, *, until_s: float) -> Outdoors:
    """Return an hourly outdoor forecast that makes this chamber's days what they are.

    The day's level of the room, sent backwards through a first-order house, with an error of 1 K
    (standard deviation) that lasts for half a day.
    """
    random, error_k = Random(played.drawn.seed + 3), 0.0
    weather = Weather(played.drawn, until_s / 86_400.0 + 2)
    series = []
    for hour in range(int(until_s / HOUR_S) + 30):
        at_s = hour * HOUR_S
        slope_k_s = (weather.level_k(at_s + 60.0) - weather.level_k(at_s)) / 60.0
        error_k = 0.92 * error_k + random.gauss(0.0, 0.4)
        series.append((at_s, weather.level_k(at_s) + HOUSE_S * slope_k_s + error_k))
    return Outdoors(series, house_time_constant_s=HOUSE_S, hour_at=hour_at)


def judge(arguments: tuple[int, int, float, bool]) -> tuple[list[Judged], list[float | None]]:
    """Play a chamber and judge every forecast; also how long before its end the threshold rang."""
    number, seed, days, outdoor = arguments
    drawn = draw(number, seed=seed)
    played = play(drawn, days=days)
    learning = Learning(drawn.believed, drawn.band, hour_at=hour_at, room_probe=drawn.room_probe)
    if outdoor:
        learning.outdoors = outdoors_of(played, until_s=days * 24 * HOUR_S)
    judged: list[Judged] = []
    rang: list[float | None] = []
    for index, cycle in enumerate(played.cycles):
        if cycle.due_s is None:
            continue
        wave = drawn.heat_wave_day is not None and cycle.due_s > drawn.heat_wave_day * 24 * HOUR_S
        for lead_h in LEADS_H:
            now_s = cycle.due_s - lead_h * HOUR_S
            if now_s < cycle.swapped_s + 0.5 * HOUR_S:
                continue
            bins, logs = recorded(played, cycle, now_s)
            began = time.process_time()
            forecast = make_forecast(learning, bins, logs, now_s=now_s)
            cpu_s = time.process_time() - began
            ahead_s = line_ahead_s(bins)
            ours = None if forecast.due_s is None else (forecast.due_s - cycle.due_s) / 60
            held = (
                None
                if forecast.early_s is None or forecast.late_s is None
                else forecast.early_s <= cycle.due_s <= forecast.late_s
            )
            line = None if ahead_s is None else (now_s + ahead_s - cycle.due_s) / 60
            about = (lead_h, forecast.cycles_learned, index == 0, drawn.room_probe, wave)
            judged.append(Judged("forecast", *about, ours, held, cpu_s))
            judged.append(Judged("line", *about, line, None, 0.0))
        bins, _ = recorded(played, cycle, cycle.due_s)
        own = [each for each in bins if each.start_s >= cycle.swapped_s + 1.5 * HOUR_S]
        above = next((each.start_s for each in own if (each.water_c or 0.0) >= THRESHOLD_C), None)
        rang.append(None if above is None else (cycle.due_s - above) / 60)
    return judged, rang


def quantile(values: Sequence[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def row(name: str, of_kind: Sequence[Judged]) -> None:
    errors = [each.error_min for each in of_kind if each.error_min is not None]
    if not errors:
        return
    size = [abs(error) for error in errors]
    held = [each.held for each in of_kind if each.held is not None]
    holds = f"{sum(held) / len(held):4.0%}" if held else "   –"
    early = sum(error < -120.0 for error in errors) / len(errors)
    print(
        f"{name:36} {len(of_kind):5} {len(of_kind) - len(errors):5} {statistics.median(size):7.0f} "
        f"{quantile(size, 0.9):6.0f} {statistics.median(errors):+6.0f} {holds:>6} {early:8.0%}"
    )


CLASSES: tuple[tuple[str, Callable[[Judged], bool]], ...] = (
    ("first set, sized values", lambda each: each.first),
    ("after 1 end", lambda each: each.seen == 1),
    ("after 2 ends", lambda each: each.seen == 2),
    ("after 3 ends and more", lambda each: each.seen >= 3),
    ("  with a room probe", lambda each: each.seen >= 3 and each.room_probe),
    ("  without", lambda each: each.seen >= 3 and not each.room_probe),
    ("  in a heat wave", lambda each: each.seen >= 3 and each.heat_wave),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=40)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--outdoor", action="store_true", help="with a forecast of the weather")
    asked = parser.parse_args()
    work = [(number, asked.seed, asked.days, asked.outdoor) for number in range(asked.chambers)]
    with Pool(asked.processes) as pool:
        results = pool.map(judge, work, chunksize=1)
    judged = [each for of_kind, _ in results for each in of_kind]
    rang = [each for _, of_kind in results for each in of_kind]
    print(f"{asked.chambers} chambers, {asked.days:g} days, seed {asked.seed}")
    print(
        f"{'':36} {'n':>5} {'none':>5} {'median':>7} {'90 %':>6} {'bias':>6} {'held':>6} "
        f"{'2 h early':>9}"
    )
    for lead_h in LEADS_H:
        for method in ("forecast", "line"):
            print(f"{method}, {lead_h} h before the end")
            for name, chosen in CLASSES:
                row(
                    f"  {name}",
                    [
                        each
                        for each in judged
                        if each.method == method and each.lead_h == lead_h and chosen(each)
                    ],
                )
    rung = [each for each in rang if each is not None]
    print(
        f"threshold of {THRESHOLD_C:g} °C: rings {statistics.median(rung):.0f} min before the end "
        f"(10 to 90 %: {quantile(rung, 0.1):.0f} to {quantile(rung, 0.9):.0f}), never in "
        f"{1 - len(rung) / len(rang):.0%} of {len(rang)} sets"
    )
    cpu = [each.cpu_s for each in judged if each.method == "forecast"]
    print(
        f"processor time of a forecast with its bounds: median {statistics.median(cpu):.3f} s, "
        f"90 % {quantile(cpu, 0.9):.3f} s; the most, with sets to learn from, {max(cpu):.2f} s"
    )


if __name__ == "__main__":
    main()
