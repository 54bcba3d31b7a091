"""How early notices come: chambers drawn at random, every set of packs left until it is spent.

    python -m tests.benchmarks.notices [--chambers 12] [--days 7] [--seed 3] [--processes 2]

The lookout's own decisions, by its early bound, with leads of 3 h and 1 h; nobody sleeps, so that
each set counts alike. A notice is too early where the first one comes more than 2 h before its
lead of 3 h, and missed where none has come 1 h before the end. Prints figures and judges nothing.
Forecasts here come every `EVERY_S`; the lookout makes them every five minutes.
"""

from __future__ import annotations

import argparse
import statistics
from dataclasses import dataclass
from datetime import UTC, datetime, time
from multiprocessing import Pool

from controller.foresight.forecast import make_forecast
from controller.foresight.learning import Learning
from controller.foresight.swap_plan import SwapPlan
from controller.lookout.forecasting import published
from controller.lookout.notices.due import notices_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.message import SWAP_DUE
from controller.lookout.notices.notice_rules import Rules
from controller.records.snapshot import Snapshot
from tests.benchmarks.drawn_chambers import draw, play
from tests.benchmarks.foresight import HOUR_S, hour_at, quantile, recorded
from tests.lookout.houses import LIMITS

LEADS_S = (3 * HOUR_S, HOUR_S)
TOO_EARLY_S = 2 * HOUR_S
EVERY_S = 1200.0
LOOKED_FROM_S = 10 * HOUR_S
NO_PLAN = SwapPlan(swaps=(), short=False)
RULES = Rules(limits=LIMITS, leads_s=LEADS_S, wakes=time(0), sleeps=time(23, 59, 59))


@dataclass(frozen=True, slots=True)
class Set:
    """One set of packs and what was told of it."""

    seen: int
    """Ends of sets seen before."""
    room_probe: bool
    heat_wave: bool
    leads_h: tuple[float, ...]
    """How long before its end each notice came [h]."""

    @property
    def too_early(self) -> bool:
        return bool(self.leads_h) and self.leads_h[0] * HOUR_S > LEADS_S[0] + TOO_EARLY_S

    @property
    def missed(self) -> bool:
        return not any(lead_h >= 1.0 for lead_h in self.leads_h)


def sets_of(arguments: tuple[int, int, float]) -> list[Set]:
    """Play a chamber and listen to what is told of each set."""
    number, seed, days = arguments
    drawn = draw(number, seed=seed)
    played = play(drawn, days=days)
    learning = Learning(drawn.believed, drawn.band, hour_at=hour_at, room_probe=drawn.room_probe)
    results = []
    for cycle in played.cycles:
        if cycle.due_s is None or cycle.due_s < cycle.swapped_s + 2 * HOUR_S:
            continue
        history, leads_h, seen = NoticeHistory(), [], 0
        begins_s = max(cycle.swapped_s + 0.5 * HOUR_S, cycle.due_s - LOOKED_FROM_S)
        steps = int((cycle.due_s - begins_s) // EVERY_S)
        for step in range(steps, -1, -1):
            now_s = cycle.due_s - step * EVERY_S
            bins, logs = recorded(played, cycle, now_s)
            forecast = make_forecast(learning, bins, logs, now_s=now_s)
            seen = forecast.cycles_learned
            now = datetime.fromtimestamp(now_s, UTC)
            snapshot = Snapshot(
                at_utc=now,
                status=None,
                age_s=0.0,
                silent=False,
                last_swap=None,
                forecast=published(forecast, NO_PLAN, zone=UTC),
            )
            history, notices = notices_due(history, snapshot, RULES, now)
            leads_h += [step * EVERY_S / HOUR_S for each in notices if each.about == SWAP_DUE]
        wave = drawn.heat_wave_day is not None and cycle.due_s > drawn.heat_wave_day * 24 * HOUR_S
        results.append(Set(seen, drawn.room_probe, wave, tuple(leads_h)))
    return results


def row(name: str, sets: list[Set]) -> None:
    first = [each.leads_h[0] for each in sets if each.leads_h]
    if not first:
        return
    print(
        f"{name:28} {len(sets):5} {statistics.median(first):7.1f} "
        f"{quantile(first, 0.1):6.1f} {quantile(first, 0.9):6.1f} "
        f"{sum(each.too_early for each in sets) / len(sets):9.1%} "
        f"{sum(each.missed for each in sets) / len(sets):8.1%} "
        f"{sum(len(each.leads_h) for each in sets) / len(sets):8.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chambers", type=int, default=12)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    work = [(number, asked.seed, asked.days) for number in range(asked.chambers)]
    with Pool(asked.processes) as pool:
        sets = [each for results in pool.map(sets_of, work, chunksize=1) for each in results]
    print(f"{asked.chambers} chambers, {asked.days:g} days, seed {asked.seed}")
    print(
        f"{'hours before the end':28} {'sets':>5} {'median':>7} {'10 %':>6} {'90 %':>6} "
        f"{'too early':>9} {'missed':>8} {'notices':>8}"
    )
    row("all", sets)
    row("sized values", [each for each in sets if each.seen == 0])
    row("after 1 or 2 ends", [each for each in sets if 1 <= each.seen <= 2])
    row("after 3 ends and more", [each for each in sets if each.seen >= 3])
    row("  with a room probe", [each for each in sets if each.seen >= 3 and each.room_probe])
    row("  without", [each for each in sets if each.seen >= 3 and not each.room_probe])
    row("  in a heat wave", [each for each in sets if each.seen >= 3 and each.heat_wave])


if __name__ == "__main__":
    main()
