"""What to change first: things to buy or to do, each rehearsed, best first.

Only what can help is tried: ways to widen what binds, and ways to lessen the heat. Each is compared
with the build as it is, on the same days; what brings little is not listed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from controller.planning.build import DAYS, Build
from controller.planning.ideas import Effort, Idea, ideas_for
from controller.planning.verdict import (
    HOLDS_SHARE,
    Judgement,
    Limit,
    Verdict,
    deciding_days,
    in_band,
    too_often,
)
from controller.rehearsal.hot_day_counter import HOURS
from controller.rehearsal.hot_day_figures import HotDays

MOST_LISTED = 5
WORTH_HOURS = 0.25
"""A change that brings less time in band than this a day is not listed [h]."""
WORTH_PACKS = 0.05
"""Of a build that holds: share of the ice a day that a change must save to be listed."""
SETTLED_DAYS = 0.125
"""Before a day that shows what a change saves [d]. By then air, walls and crop have settled as far
as it takes: with four times as long the heat of the day differs by 1 % at most."""
NO_MATTER = 0.005
"""Changes that bring as much within this share of a day bring the same."""
MORE_OF_THE_SAME: Mapping[str, str] = {
    "one-more-set": "larger-freezer",
    "no-food": "larger-freezer",
}
"""Changes, and the one that does the same and more: a larger freezer comes with one more set, and
freezes at least as much as one that is emptied."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing to buy or to do, and what it brings."""

    key: str
    """Names it for `with_changes`."""
    what: str
    effort: Effort
    before: float
    after: float
    unit: str
    gain: float
    """Of a build that does not hold: share of the day more in band. Of one that holds: share of
    the ice a day that is saved."""
    holds: bool
    """Whether the build holds with it."""


@dataclass(frozen=True, slots=True)
class Applied:
    """One change that was made to a build."""

    key: str
    what: str


def best_changes(judgement: Judgement) -> tuple[Change, ...]:
    """Return the changes that bring most, best first, at most `MOST_LISTED`.

    Of a build that does not hold each is judged by the spell that judged the build; of one that
    is in band, but by changing packs too often, those with which it holds are listed. Of one that
    holds a day shows what a change saves.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    if judgement.verdict is Verdict.NEEDS_HEAT:
        return ()
    # the same day each day, also where the room has a course of its own
    build = replace(judgement.build, room=None)
    days_of = one_day if judgement.holds else deciding_days
    before = judgement.days if judgement.build.room is None else days_of(build)
    changes: list[Change] = []
    for idea in ideas_for(build):
        if not _may_help(idea, judgement) or _is_hopeless(idea, changes):
            continue
        if judgement.holds:
            after = one_day(idea.build)
        elif judgement.changed_too_often:
            after = deciding_days(idea.build, most_out_h=(1.0 - HOLDS_SHARE) * HOURS * DAYS)
        else:
            after = deciding_days(
                idea.build, until_steady=True, most_out_h=_most_out_h(before, changes)
            )
        changes.append(_change(idea, before, after, judgement))
    useful = [
        change
        for change in changes
        if change.gain > _worth(judgement) or (judgement.changed_too_often and change.holds)
    ]
    return tuple(sorted(useful, key=_rank)[:MOST_LISTED])


def one_day(build: Build) -> HotDays | None:
    """Return a hot day that shows the heat of a build that holds, the packs frozen before it."""
    return build.days(1.0, settling_days=SETTLED_DAYS)


def _worth(judgement: Judgement) -> float:
    return WORTH_PACKS if judgement.holds else WORTH_HOURS / 24.0


def _rank(change: Change) -> tuple[float, int]:
    """Return what sorts changes: what they bring, and where that is much the same the effort."""
    return -round(change.gain, 2), list(Effort).index(change.effort)


def _is_hopeless(idea: Idea, tried: Sequence[Change]) -> bool:
    """Return whether a change that does the same and more was tried and brings nothing."""
    larger = MORE_OF_THE_SAME.get(idea.key)
    return any(each.key == larger and each.gain <= 0.0 for each in tried)


def _most_out_h(before: HotDays | None, tried: Sequence[Change]) -> float:
    """Return how long days may be out of band that are to be listed [h]."""
    gains = sorted((change.gain for change in tried), reverse=True)
    least = gains[MOST_LISTED - 1] - NO_MATTER if len(gains) >= MOST_LISTED else 0.0
    least_share = _share(before) + max(WORTH_HOURS / 24.0, least)
    return (1.0 - least_share) * HOURS * DAYS + 1e-6


def with_changes(build: Build, keys: Iterable[str]) -> tuple[Build, tuple[Applied, ...]]:
    """Return a build with changes made to it, and those that were made.

    Args:
        build: As it is.
        keys: Keys of changes in the order in which they are made; one that does not apply to the
            build, or that changes people and not equipment, is passed over.

    Raises:
        PhysicsError: A figure outside the range of the formulas.
    """
    applied: list[Applied] = []
    for key in keys:
        idea = next((each for each in ideas_for(build) if each.key == key), None)
        if idea is not None and not idea.build.always_awake:
            build = idea.build
            applied.append(Applied(idea.key, idea.what))
    return build, tuple(applied)


def _may_help(idea: Idea, judgement: Judgement) -> bool:
    if judgement.holds:
        return idea.widens is None
    if judgement.limit in {Limit.NEVER_FROZEN, Limit.OVERSHOOT}:
        return idea.widens is judgement.limit  # less heat helps neither
    return idea.widens is None or idea.widens is judgement.limit


def _change(
    idea: Idea, before: HotDays | None, after: HotDays | None, judgement: Judgement
) -> Change:
    if judgement.holds:
        gain = _saved(judgement.build, before, idea.build, after)
    else:
        gain = _share(after) - _share(before)
    return Change(
        key=idea.key,
        what=idea.what,
        effort=idea.effort,
        before=idea.before,
        after=idea.after,
        unit=idea.unit,
        gain=gain,
        holds=after is not None
        and in_band(after)
        and not too_often(after)
        # ten days show by themselves whether the freezer does; one day does not
        and (not judgement.holds or idea.build.keeps_up(after)),
    )


def _share(days: HotDays | None) -> float:
    return 0.0 if days is None else days.in_band_share


def _saved(build: Build, before: HotDays | None, changed: Build, after: HotDays | None) -> float:
    """Return the share of the reservoir's heat that a change saves; 0 if it holds no more."""
    if before is None or after is None or not in_band(after):
        return 0.0
    now_kj = build.reservoir_kj(before) / before.days
    return 1.0 - changed.reservoir_kj(after) / after.days / now_kj if now_kj > 0.0 else 0.0
