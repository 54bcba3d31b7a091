"""What becomes of swap due when something goes wrong, in that set of packs and in the next.

    python -m tests.benchmarks.robustness [--chambers 12] [--days 7] [--seed 2] [--processes 2]

One mishap at a time, in the set after the third end. Errors are of a forecast three hours before
the true end, in minutes: median and 90 % quantile; "held" is the share of ends within the bounds,
"said" the share of forecasts with a note that says what is unsure. Prints figures, judges nothing.
"""

from __future__ import annotations

import argparse
import statistics
from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing import Pool

from controller.foresight.bins import RecordedSample, bins_of
from controller.foresight.forecast import Forecast, make_forecast
from controller.foresight.learning import Learning
from controller.foresight.swaps import Logged
from tests.benchmarks.drawn_chambers import Cycle, PlayedChamber, draw, play
from tests.benchmarks.foresight import HOUR_S, hour_at, quantile

LEAD_S = 3 * HOUR_S
MISHAP_SET = 4
LATE_S = 75 * 60.0
LOST_S = (5 * HOUR_S, 2 * HOUR_S)
"""The reservoir probe is lost from so long before the end until so long before it [s]."""
GAP_S = 7 * 24 * HOUR_S
WARM, OTHER_KIND = 0.5, 0.75


@dataclass(frozen=True, slots=True)
class Past:
    """What the forecast is given."""

    samples: list[RecordedSample]
    logged: list[tuple[float, Logged]]


Mishap = Callable[[Past, Cycle], Past]


def unchanged(past: Past, _cycle: Cycle) -> Past:
    """Change nothing."""
    return past


def not_logged(past: Past, cycle: Cycle) -> Past:
    """Forget the log of this set."""
    kept = [each for each in past.logged if not _of_set(each, cycle)]
    return replace(past, logged=kept)


def logged_late(past: Past, cycle: Cycle) -> Past:
    """Log this set more than an hour late, as of then."""
    late_s = cycle.swapped_s + LATE_S
    return replace(
        past,
        logged=[
            (late_s, replace(each[1], at_s=late_s)) if _of_set(each, cycle) else each
            for each in past.logged
        ],
    )


def logged_twice(past: Past, cycle: Cycle) -> Past:
    """Log this set again, by two people."""
    again = [
        (at_s + 1500.0, replace(log, at_s=log.at_s + 1500.0))
        for at_s, log in past.logged
        if _of_set((at_s, log), cycle)
    ]
    return replace(past, logged=sorted([*past.logged, *again], key=lambda each: each[0]))


def probe_lost(past: Past, cycle: Cycle) -> Past:
    """Lose the reservoir probe for three hours of this set."""
    assert cycle.due_s is not None
    begins_s, ends_s = (cycle.due_s - before_s for before_s in LOST_S)
    return replace(
        past,
        samples=[
            each._replace(water_c=None) if begins_s <= each.at_s < ends_s else each
            for each in past.samples
        ],
    )


def week_without_records(past: Past, cycle: Cycle) -> Past:
    """Put a week between this set and everything before it."""
    return Past(
        [
            each._replace(at_s=each.at_s - GAP_S) if each.at_s < cycle.swapped_s - 1800.0 else each
            for each in past.samples
        ],
        [
            (at_s - GAP_S, replace(log, at_s=log.at_s - GAP_S))
            if at_s < cycle.swapped_s - 1800.0
            else (at_s, log)
            for at_s, log in past.logged
        ],
    )


MISHAPS: dict[str, tuple[Mishap, Callable[[int], float] | None]] = {
    "nothing wrong": (unchanged, None),
    "not logged": (not_logged, None),
    "logged 75 min late": (logged_late, None),
    "logged twice": (logged_twice, None),
    "packs half warm": (unchanged, lambda number: WARM if number == MISHAP_SET else 1.0),
    "packs of less heat from then on": (
        unchanged,
        lambda number: OTHER_KIND if number >= MISHAP_SET else 1.0,
    ),
    "reservoir probe lost for 3 h": (probe_lost, None),
    "a week without records before": (week_without_records, None),
    "lookout restarted": (unchanged, None),
}


@dataclass(frozen=True, slots=True)
class Judged:
    """One forecast three hours ahead."""

    mishap: str
    sets_later: int
    error_min: float | None
    held: bool
    warned: bool


def judge(arguments: tuple[int, int, float]) -> list[Judged]:
    """Return what became of one chamber, mishap by mishap."""
    number, seed, days = arguments
    drawn = replace(draw(number, seed=seed), room_probe=True, forgets_to_log=0.0, logs_late=0.0)
    plain = play(drawn, days=days)
    results = []
    for name, (mishap, share_of) in MISHAPS.items():
        played = plain if share_of is None else play(drawn, days=days, share_of=share_of)
        if len(played.cycles) <= MISHAP_SET:
            continue
        struck = played.cycles[MISHAP_SET]
        if struck.due_s is None:
            continue
        learning = Learning(drawn.believed, drawn.band, hour_at=hour_at, room_probe=True)
        for later, cycle in enumerate(played.cycles[MISHAP_SET : MISHAP_SET + 3]):
            if cycle.due_s is None or cycle.due_s - LEAD_S < cycle.swapped_s + 0.5 * HOUR_S:
                continue
            past = mishap(_past(played, cycle), struck)
            now_s = cycle.due_s - LEAD_S
            if name == "lookout restarted":
                learning = Learning(drawn.believed, drawn.band, hour_at=hour_at, room_probe=True)
            else:
                _live_through(learning, past, now_s)
            forecast = _forecast(learning, past, now_s)
            results.append(
                Judged(
                    name,
                    later,
                    None if forecast.due_s is None else (forecast.due_s - cycle.due_s) / 60.0,
                    forecast.early_s is not None
                    and forecast.late_s is not None
                    and forecast.early_s <= cycle.due_s <= forecast.late_s,
                    bool(forecast.notes),
                )
            )
    return results


def _past(played: PlayedChamber, cycle: Cycle) -> Past:
    """Return everything up to this set's end, had nobody swapped it."""
    ended_s = float("inf") if cycle.ended_s is None else cycle.ended_s
    samples = [each for each in played.samples if each.at_s < ended_s]
    return Past([*samples, *cycle.samples_after], [e for e in played.logged if e[0] <= ended_s])


def _live_through(learning: Learning, past: Past, now_s: float) -> None:
    """Forecast now and then on the way, as a lookout that is never restarted does."""
    for before_h in (30, 18, 9):
        _forecast(learning, past, now_s - before_h * HOUR_S)


def _forecast(learning: Learning, past: Past, now_s: float) -> Forecast:
    bins = list(bins_of((s for s in past.samples if s.at_s < now_s), until_s=now_s))
    logs = [log for at_s, log in past.logged if at_s <= now_s]
    return make_forecast(learning, bins, logs, now_s=now_s)


def _of_set(each: tuple[float, Logged], cycle: Cycle) -> bool:
    return 0.0 <= each[1].at_s - cycle.swapped_s <= 5400.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=12)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    work = [(number, asked.seed, asked.days) for number in range(asked.chambers)]
    with Pool(asked.processes) as pool:
        judged = [each for results in pool.imap(judge, work) for each in results]
    print(f"{asked.chambers} chambers, {asked.days:g} days, seed {asked.seed}; 3 h before the end")
    print(f"{'':34}{'that set':^32}{'the next':^26}{'the one after':^26}")
    columns = f"{'n':>4} {'median':>7} {'90 %':>5} {'held':>5}"
    print(f"{'':34}{columns} {'said':>5}   {columns}   {columns}")
    for name in MISHAPS:
        cells = []
        for later in range(3):
            results = [e for e in judged if e.mishap == name and e.sets_later == later]
            sizes = [abs(e.error_min) for e in results if e.error_min is not None]
            if not sizes:
                cells.append(f"{len(results):4} {'–':>7} {'–':>5} {'–':>5}")
                continue
            cell = (
                f"{len(results):4} {statistics.median(sizes):7.0f} {quantile(sizes, 0.9):5.0f} "
                f"{sum(e.held for e in results) / len(results):5.0%}"
            )
            if later == 0:
                cell += f" {sum(e.warned for e in results) / len(results):5.0%}"
            cells.append(cell)
        print(f"{name:34}{'   '.join(cells)}")


if __name__ == "__main__":
    main()
