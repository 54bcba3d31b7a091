"""When somebody can come to change packs, and with how many: the person and the freezer."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.domain.daytime import within
from controller.foresight.course import HourAt
from controller.thermal.freezing import SAME_SHARE, FreezerPace, FreezerQueue

SOONER_S = 1800.0
"""A set is changed this long before it is spent: fresh packs need it to cool water and coil."""
BEFORE_BED_S = 900.0
HALF_FROZEN = 0.5
"""A pack of which less is frozen is left in the freezer [share]."""
_HOUR_S = 3600.0
_SAME_MINUTE = 1e-3
"""Less than this before a minute is rounding of the arithmetic [min]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """When somebody is awake, and what the freezer does."""

    wakes_h: float
    """Local hour."""
    sleeps_h: float
    packs: int
    """Packs in all."""
    packs_in_set: int
    freezer: FreezerPace

    def awake(self, hour: float) -> bool:
        """Return whether somebody is awake at a local hour."""
        return within(hour % 24.0, self.wakes_h, self.sleeps_h)


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """A way of using packs."""

    eager: bool = False
    """As soon as they are frozen, not only when the set in the water is nearly spent."""
    partial: bool = False
    """What is frozen, not only whole sets."""
    half_frozen: bool = False
    """Packs that are half frozen too."""

    @property
    def least_frozen(self) -> float:
        """Return how much of a pack must be frozen for it to go in [share]."""
        return HALF_FROZEN if self.half_frozen else 1.0


POLICIES = (
    Policy(),
    Policy(eager=True),
    Policy(eager=True, partial=True),
    Policy(half_frozen=True),
    Policy(eager=True, half_frozen=True),
)
"""The first one where packs suffice."""


def best_visit(
    spent_s: float, earliest_s: float, habits: Habits, hour_at: HourAt
) -> tuple[float, str]:
    """Return when the set is best changed, and why."""
    preferred_s = max(spent_s - SOONER_S, earliest_s)
    at = _clock(hour_at(spent_s))
    if habits.awake(hour_at(preferred_s)):
        return preferred_s, f"the cold may run out from {at} on"
    bed_s = preferred_s - (hour_at(preferred_s) - habits.sleeps_h) % 24.0 * _HOUR_S
    if bed_s > earliest_s:
        evening_s = max(bed_s - BEFORE_BED_S, earliest_s)
        return evening_s, f"before the night: the cold may run out from {at} on"
    return waking(preferred_s, habits, hour_at), f"on waking: the cold may run out from {at} on"


def possible_visit(
    preferred_s: float, freezer: FreezerQueue, habits: Habits, hour_at: HourAt, policy: Policy
) -> tuple[float, int, str]:
    """Return when how many packs can go in, and what is lacking."""
    wanted = habits.packs_in_set
    least = policy.least_frozen - SAME_SHARE
    shares = freezer.frozen_shares(preferred_s)
    ready = min(wanted, sum(share >= least for share in shares))
    through = min(wanted, sum(share >= 1.0 for share in shares))
    if through == wanted:
        return preferred_s, wanted, ""
    if ready:
        half = ready - through
        lacking = f"only {through} of {wanted} packs are frozen by then"
        return preferred_s, ready, f"{lacking}, take {half} half frozen too" if half else lacking
    if not freezer.shares:
        return math.inf, 0, "there are no packs in the freezer"
    first_s = frozen_at(freezer, 1, policy)
    at_s = waking(first_s, habits, hour_at)
    if math.isinf(at_s):
        return math.inf, 0, "the packs never freeze in this freezer"
    packs = max(1, min(wanted, sum(share >= least for share in freezer.frozen_shares(at_s))))
    return at_s, packs, f"no pack is frozen before {_clock(hour_at(first_s))}"


def waking(at_s: float, habits: Habits, hour_at: HourAt) -> float:
    """Return the first moment from an instant on when somebody is awake [s]."""
    if math.isinf(at_s):
        return at_s
    hour = hour_at(at_s)
    return at_s if habits.awake(hour) else at_s + (habits.wakes_h - hour) % 24.0 * _HOUR_S


def as_soon_as(
    preferred_s: float, why: str, frozen_s: float, habits: Habits, hour_at: HourAt
) -> tuple[float, str]:
    """Return the swap as soon as a set is frozen and somebody awake, where that is sooner."""
    at_s = waking(frozen_s, habits, hour_at)
    if at_s >= preferred_s:
        return preferred_s, why
    return at_s, "as soon as they are frozen: the freezer needs the time for the next ones"


def frozen_at(freezer: FreezerQueue, packs: int, policy: Policy) -> float:
    """Return when so many packs are frozen as far as a policy wants them [s]."""
    return freezer.frozen_at(packs, policy.least_frozen)


def _clock(hour: float) -> str:
    """Return a local hour to the minute that has begun, as every screen shows an instant."""
    minutes = math.floor(hour * 60.0 + _SAME_MINUTE) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"
