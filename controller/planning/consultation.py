"""From answers to a configuration and its verdict: what interview and page both show."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from controller.planning.answers import Answers
from controller.planning.build import Build
from controller.planning.changes import Applied, Change, with_changes
from controller.planning.configuration import Draft, settings_of
from controller.planning.equipment import equipment_of
from controller.planning.ideas import Effort
from controller.planning.own_draft import OwnDraft, own_draft
from controller.planning.points import STAGES, points_of, points_of_proposal
from controller.planning.proposal import proposal_of
from controller.planning.verdict import Judgement, judge
from controller.planning.weather_spell import placed_plant
from controller.rehearsal.trace_row import TraceRow
from controller.settings.law_of import schedule_of
from controller.settings.load import Settings
from controller.settings.species import band_of, read_species

USUAL_RUN_S, USUAL_REST_S = 120.0, 300.0
PROPOSAL_TICK_S = 10.0
"""A coarser beat takes the air further past the switching points than the real one does."""
USUAL_WATER_C = 5.0
OUT_BY_MK = 1000
OUT_FOR_S = 1800.0
"""The air is out of band when it stands this far above cut-in for this long; shorter excursions are
those of an open door. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consultation:
    """What came of the answers."""

    draft: Draft | OwnDraft
    settings: Settings
    """What the configuration of the draft says."""
    judgement: Judgement
    rows: tuple[TraceRow, ...]
    """The hot days behind the verdict, every five minutes, the settling day first."""

    @property
    def answers(self) -> Answers:
        """The answers, changes that do not apply included."""
        return self.draft.answers

    @property
    def applied(self) -> tuple[Applied, ...]:
        """The changes that were applied."""
        return self.draft.applied

    @property
    def difference(self) -> tuple[str, ...]:
        """How a person's own file changes: lines with plus or minus before them."""
        return self.draft.difference if isinstance(self.draft, OwnDraft) else ()

    @property
    def text(self) -> str:
        """The commented configuration."""
        return self.draft.text

    def for_answers(self, answers: Answers) -> Consultation:
        """Return the same for answers of the same texts, of which others are assumed."""
        return replace(self, draft=replace(self.draft, answers=answers))

    @property
    def fails_at(self) -> datetime | None:
        """When the air first leaves its band for long; None: it does not, or nothing is known."""
        return first_failure(self.rows, self.settings)


class OutdatedError(Exception):
    """Nobody waits for this any more."""


def _never() -> bool:
    return False


@dataclass(frozen=True, slots=True)
class Sketch:
    """A first picture of the answers: a hot day on a coarse beat, before points are proposed."""

    settings: Settings
    rows: tuple[TraceRow, ...]
    in_band_share: float | None
    """None: the chamber grew too hot to be worked out."""


def sketch(answers: Answers) -> Sketch:
    """Rehearse one coarse hot day of the answers.

    Raises:
        SettingsError: The answers make no configuration that can be used.
        PhysicsError: A figure outside the range of the formulas.
    """
    draft = _first_draft(answers) if answers.own is None else own_draft(answers, answers.own)
    settings = settings_of(draft.text, draft.folder)
    rows: list[TraceRow] = []
    plant = placed_plant(settings, draft.folder).plant
    days = Build(settings=settings, plant=plant).coarse_days(trace=rows.append)
    return Sketch(settings, tuple(rows), None if days is None else days.in_band_share)


def consult(answers: Answers, *, is_outdated: Callable[[], bool] = _never) -> Consultation:
    """Write the configuration of the answers and rehearse it.

    Args:
        answers: The answers.
        is_outdated: Is asked now and then whether anybody still waits.

    Raises:
        OutdatedError: Nobody does.
        SettingsError: The answers make no configuration that can be used.
        PhysicsError: A figure outside the range of the formulas.
    """
    draft = draft_of(answers)
    settings = settings_of(draft.text, draft.folder)
    rows: list[TraceRow] = []

    def take(row: TraceRow) -> None:
        if is_outdated():
            raise OutdatedError
        rows.append(row)

    placed = placed_plant(settings, draft.folder)
    judgement = judge(settings, plant=placed.plant, room=placed.room, trace=take)
    return Consultation(
        draft=draft,
        settings=settings,
        judgement=judgement,
        rows=tuple(rows),
    )


def _first_draft(answers: Answers) -> Draft:
    """Return the draft with changes applied, and points by rule."""
    species = read_species()[answers.text("species")]
    bands = {stage: band_of(species, stage) for stage in STAGES}
    draft = Draft(
        answers=answers,
        plant=equipment_of(answers),
        applied=(),
        species=species,
        points={stage: points_of(band) for stage, band in bands.items() if band is not None},
        minimum_run_s=USUAL_RUN_S,
        anti_short_cycle_s=USUAL_REST_S,
        proposed="A kelvin below the top of what the species wants.",
    )
    if answers.changes:
        settings = settings_of(draft.text)
        build, applied = with_changes(Build(settings=settings, plant=draft.plant), answers.changes)
        draft = replace(draft, plant=build.plant, applied=applied)
    return draft


def draft_of(answers: Answers) -> Draft | OwnDraft:
    """Return what the configuration is written from: changes applied, points proposed.

    In a person's own file the points stay theirs.

    Raises:
        SettingsError: The answers make no configuration that can be used.
        PhysicsError: A figure outside the range of the formulas.
    """
    if answers.own is not None:
        return own_draft(answers, answers.own)
    draft = _first_draft(answers)
    settings = settings_of(draft.text)
    proposal = proposal_of(settings, USUAL_WATER_C, tick_s=PROPOSAL_TICK_S)
    if proposal is None:
        return draft
    stage = answers.text("stage")
    return replace(
        draft,
        points={**draft.points, stage: points_of_proposal(proposal)},
        minimum_run_s=proposal.minimum_run_s,
        anti_short_cycle_s=proposal.anti_short_cycle_s,
        proposed=(
            f"Those of {stage} keep the air inside its band here, so start_early_by is left out."
            if proposal.keeps
            else f"Those of {stage} come nearest; the air of this chamber leaves its band."
        ),
    )


def first_failure(rows: tuple[TraceRow, ...], settings: Settings) -> datetime | None:
    """Return when the air first stands above its band for long; None: it never does."""
    schedule = schedule_of(settings.stages[settings.chamber.stage])
    since: datetime | None = None
    for row in rows:
        air_mc = row.readings_mc.get("air")
        if air_mc is None or air_mc < schedule.band_at(row.time).cut_in_mc + OUT_BY_MK:
            since = None
        elif since is None:
            since = row.time
        elif (row.time - since).total_seconds() >= OUT_FOR_S:
            return since
    return None


_EFFORTS = (Effort.DO, Effort.SMALL, Effort.WORK, Effort.LARGE)


def cheapest_mend(changes: tuple[Change, ...]) -> Change | None:
    """Return the change of least effort with which the build holds; None: no single one does."""
    mends = [change for change in changes if change.holds]
    return min(mends, key=lambda each: (_EFFORTS.index(each.effort), -each.gain), default=None)
