"""What makes a build hold that no single change mends: the fewest changes, cheap ones first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller.planning.build import SUPPLY_DAYS, Build
from controller.planning.changes import Applied, with_changes
from controller.planning.verdict import Judgement, Verdict, in_band, too_often

ORDER = (
    "plain-packs",
    "no-food",
    "foam",
    "one-more-set",
    "larger-set",
    "half-air",
    "insulate-box",
    "half-lights",
    "second-core",
    "larger-freezer",
    "flat-packs",
    "cooler-place",
)
"""Changes by what they cost and how surely they can be done; a cooler place stands last, because
few people have one."""

MAY_BE_LEFT_OUT = {"one-more-set", "larger-set", "insulate-box", "half-lights"}
"""Changes that others later in the list often make needless."""


@dataclass(frozen=True, slots=True)
class Mend:
    """Changes that together make a build hold, by the short rehearsal."""

    applied: tuple[Applied, ...]


def mended_answers(judgement: Judgement) -> Mend | None:
    """Return changes that together make a build hold; None: not even all of them do.

    The shortest beginning of `ORDER` that holds is taken, and what it can do without is left out.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    if judgement.holds or judgement.verdict is Verdict.NEEDS_HEAT:
        return None
    build = judgement.build
    if not _holds(build, ORDER):
        return None
    few, many = 1, len(ORDER)
    while few < many:
        middle = (few + many) // 2
        if _holds(build, ORDER[:middle]):
            many = middle
        else:
            few = middle + 1
    keys = list(ORDER[:many])
    for key in ORDER[: many - 1]:
        without = [each for each in keys if each != key]
        idle = len(with_changes(build, without)[1]) == len(with_changes(build, keys)[1])
        if idle or (key in MAY_BE_LEFT_OUT and _holds(build, without)):
            keys = without
    return Mend(with_changes(build, keys)[1])


def _holds(build: Build, keys: Sequence[str]) -> bool:
    changed = with_changes(build, keys)[0]
    days = changed.coarse_days(SUPPLY_DAYS)
    return days is not None and in_band(days) and not too_often(days) and changed.keeps_up(days)
