"""Packs of all chambers against the one freezer that freezes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from controller.lookout.chambers import ChamberSummary
from controller.pictures.words import moment, pack_count


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Packs that are planned against packs that the freezer can freeze."""

    hours: float
    wanted: int
    frozen: float
    """What the freezer does in that time."""
    by_chamber: tuple[tuple[str, int], ...]
    """Name and packs wanted, most first."""
    without: tuple[tuple[str, datetime, int], ...]
    """Swaps that go short where packs go to the earliest first: name, when, packs missing."""
    unknown: tuple[str, ...]
    """Chambers without a forecast: what they need comes on top."""

    @property
    def keeps_up(self) -> bool | None:
        """Whether the freezer serves every swap; None: it serves those that are known."""
        if self.without:
            return False
        return None if self.unknown else True


def budget_of(
    chambers: Sequence[ChamberSummary], *, packs_per_day: float, now: datetime, hours: float = 24.0
) -> Budget:
    """Return the budget of packs over all chambers against one freezer.

    Packs that lie frozen already are part of each chamber's own plan; here it counts what must be
    frozen anew for all of them together. A swap gets what the freezer has done until then and the
    swaps before have left.

    Args:
        chambers: With their plans.
        packs_per_day: What the freezer freezes in a day [1/d].
        now: Now, aware.
        hours: How far to look [h].
    """
    ends = now + timedelta(hours=hours)
    swaps = sorted(
        (max(planned.at, now), chamber.name, planned.packs)
        for chamber in chambers
        for planned in chamber.plan
        if planned.at <= ends
    )
    by_chamber: dict[str, int] = {}
    without = []
    given = 0.0
    # a day's work lies ready at the start: who asks for a budget has a freezer that is in use
    ready = packs_per_day
    for at, name, packs in swaps:
        by_chamber[name] = by_chamber.get(name, 0) + packs
        frozen = ready + packs_per_day * (at - now).total_seconds() / 86_400.0
        got = max(0, min(packs, int(frozen - given + 1e-9)))
        given += got
        if got < packs:
            without.append((name, at, packs - got))
    return Budget(
        hours=hours,
        wanted=sum(by_chamber.values()),
        frozen=ready + packs_per_day * hours / 24.0,
        by_chamber=tuple(sorted(by_chamber.items(), key=lambda each: (-each[1], each[0]))),
        without=tuple(without),
        unknown=tuple(chamber.name for chamber in chambers if not chamber.known),
    )


def budget_words(budget: Budget, *, now: datetime) -> str:
    """Return a budget in a sentence or two.

    Args:
        budget: The budget.
        now: Now, in the zone to speak in.
    """
    return " ".join(filter(None, (_planned_words(budget, now=now), _unknown_words(budget))))


def _unknown_words(budget: Budget) -> str:
    if not budget.unknown:
        return ""
    names, need = budget.unknown, "needs" if len(budget.unknown) == 1 else "need"
    listed = " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
    return f"How many packs {listed} {need} within {budget.hours:.0f} hours is not known."


def _planned_words(budget: Budget, *, now: datetime) -> str:
    within = f"within {budget.hours:.0f} hours"
    if not budget.wanted:
        return "" if budget.unknown else f"No pack change is planned {within}."
    are = "is" if budget.wanted == 1 else "are"
    packs = f"{pack_count(budget.wanted)} {are} planned {within}"
    if not budget.without:
        return f"{packs}; the freezer, which has {budget.frozen:.0f} until then, keeps up."
    name, at, missing = budget.without[0]
    total = sum(short for _, _, short in budget.without)
    lacking = f"{total} is" if total == 1 else f"{total} are"
    return (
        f"{packs}; the freezer cannot keep up: {lacking} missing, the first {missing} for {name} "
        f"at {moment(at, now, far=False)}. More packs frozen elsewhere would help, or a warmer "
        "band for one chamber."
    )
