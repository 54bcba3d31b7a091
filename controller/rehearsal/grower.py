"""The person in a rehearsal: habits, sleep, packs in the freezer, and answers to alarms."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time
from random import Random

from controller.domain.daytime import hour_of, within
from controller.settings.scenario_file import GrowerScript
from controller.thermal.freezing import FreezerQueue

HOUR_S = 3600.0
DAY_S = 86_400.0
FORGOTTEN_WITHIN_S = HOUR_S
WORTH_PUTTING_IN = 0.5
"""A pack that is not half frozen stays in the freezer."""
FROZEN_THROUGH = 0.97
SWAP_APART_S = HOUR_S
"""Nobody swaps again within the hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What the person does on one visit."""

    packs: int = 0
    frozen_share: float = 0.0
    bleeds_the_pump: bool = False


@dataclass(slots=True, kw_only=True)
class Freezer:
    """The packs that are not in the reservoir."""

    queue: FreezerQueue

    def take(self, wanted: int, at_s: float, *, worth: float) -> tuple[int, float]:
        """Take up to *wanted* packs worth putting in; return how many and their mean share frozen.

        Args:
            wanted: Packs asked for.
            at_s: Seconds since the start of the rehearsal.
            worth: Least share that must be frozen.
        """
        shares = self.queue.frozen_shares(at_s)[:wanted]
        ready = [share for share in shares if share >= worth]
        self.queue = self.queue.without(len(ready), at_s)
        return len(ready), (sum(ready) / len(ready) if ready else 0.0)

    def put(self, packs: int, at_s: float, *, frozen_share: float = 0.0) -> None:
        """Put packs in that are frozen to a share."""
        self.queue = self.queue.put(packs, at_s, frozen_share=frozen_share)


class Grower:
    """Comes by habit and when told, unless asleep; looked at when `next_at` or an alarm says so."""

    def __init__(
        self, script: GrowerScript, freezer: Freezer, *, packs_in_use: int, random: Random
    ) -> None:
        self._script = script
        self._freezer = freezer
        self._packs_in_use = packs_in_use
        self._random = random
        self._habits_done: set[tuple[int, time]] = set()
        self._coming: dict[str, float] = {}
        self._last_swap_s = float("-inf")

    def visit(
        self,
        at_s: float,
        local: datetime,
        standing: frozenset[str],
        *,
        planned: bool | None = None,
        woken: frozenset[str] = frozenset(),
        least_frozen: float = 1.0,
        spent: bool = False,
        frozen_share: Callable[[], float] = lambda: 0.0,
    ) -> Visit | None:
        """Return what the person does now, if anything.

        Args:
            at_s: Seconds since the start of the rehearsal.
            local: Time of day.
            standing: Names of the alarms that stand.
            planned: Whether the swap plan has packs changed now; a person who has a plan goes by
                it, and neither by habit nor by the word that they are due or that the water is
                warm: that was known hours ago. None: there is none.
            woken: Names of what woke the person; for these they come at night too, plan or not.
            least_frozen: How much of a pack the plan wants frozen before it goes in [share].
            spent: Whether the person, who reads the reservoir, finds its water too warm.
            frozen_share: Gives the share of the packs in the water that is frozen, for a person who
                looks before changing them.
        """
        if planned is not None:
            standing -= {"swap_due", "reservoir_warm"} - woken
        for name in standing:
            if name in self._script.answers and name not in self._coming:
                self._coming[name] = at_s + self._script.comes_within * self._random.uniform(0.3, 1)
        for name in [name for name in self._coming if name not in standing]:
            del self._coming[name]
        awake = self.awake(local)
        called = [
            name
            for name, due_s in self._coming.items()
            if due_s <= at_s and (awake or name in woken)
        ]
        if "flow_not_proved" in called:
            del self._coming["flow_not_proved"]
            return Visit(bleeds_the_pump=True)
        habit = awake and self._habit(at_s, local) and not self._keeps(frozen_share)
        if called or (awake and (spent or (habit if planned is None else planned))):
            # told hours ahead, a person waits for packs that are frozen as far as they should be
            patient = called == ["swap_due"] or (planned is not None and not called)
            worth = min(FROZEN_THROUGH, least_frozen) if patient else WORTH_PUTTING_IN
            return self._swap(at_s, called, worth=worth)
        return None

    def puts_back(self, packs: int, at_s: float, *, frozen_share: float) -> None:
        """Put the packs that came out of the water into the freezer."""
        self._freezer.put(packs, at_s, frozen_share=frozen_share)

    def frozen_packs(self, at_s: float) -> float:
        """Return the packs in the freezer, each by the share of it that is frozen by now."""
        return sum(self._freezer.queue.frozen_shares(at_s))

    def next_at(self, at_s: float, hour: float) -> float:
        """Return the next instant at which `visit` may do something by the clock alone [s].

        Until then it does nothing unless an alarm comes or goes, or the plan or the water calls.

        Args:
            at_s: Now, seconds since the start.
            hour: Local time of day now [h].
        """

        def until_s(local: time) -> float:
            return (hour_of(local) - hour) % 24.0 * HOUR_S or DAY_S

        script = self._script
        waits_s = [until_s(due) for due in script.swaps_at]
        late = [due_s - at_s for due_s in self._coming.values()]
        waits_s += [wait_s for wait_s in late if wait_s > 0.0]
        if script.wakes != script.sleeps and (script.swaps_at or self._coming):
            waits_s.append(until_s(script.wakes))
        return at_s + min(waits_s, default=math.inf)

    def awake(self, local: datetime) -> bool:
        """Return whether the person is awake at a local time."""
        return within(local.time(), self._script.wakes, self._script.sleeps)

    def _keeps(self, frozen_share: Callable[[], float]) -> bool:
        least = self._script.keeps_while_frozen
        return least is not None and frozen_share() >= least

    def _habit(self, at_s: float, local: datetime) -> bool:
        for due in self._script.swaps_at:
            key = (local.toordinal(), due)
            minutes_late = (local.hour - due.hour) * 60 + local.minute - due.minute
            if key in self._habits_done or not 0 <= minutes_late < 60:
                continue
            self._habits_done.add(key)
            return not any(
                abs(at_s - forgotten_s) <= FORGOTTEN_WITHIN_S
                for forgotten_s in self._script.forgets
            )
        return False

    def _swap(self, at_s: float, called: list[str], *, worth: float) -> Visit | None:
        for name in called:
            # asked again only if the alarm still stands an hour from now
            self._coming[name] = at_s + SWAP_APART_S
        if at_s - self._last_swap_s < SWAP_APART_S:
            return None
        packs, frozen_share = self._freezer.take(self._packs_in_use, at_s, worth=worth)
        if not packs:
            return None
        self._last_swap_s = at_s
        return Visit(packs=packs, frozen_share=frozen_share)
