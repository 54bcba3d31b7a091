"""What the page shows, as values ready for its templates."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from markupsafe import Markup

from controller.domain import measures
from controller.pictures import words
from controller.pictures.chart import draw
from controller.planning.answers import Answers, Origin
from controller.planning.changes import Applied, Change
from controller.planning.consultation import Consultation, Sketch, cheapest_mend
from controller.planning.equipment import cautions_of
from controller.planning.hot_days_chart import hot_days_chart
from controller.planning.own_draft import OwnDraft, learned_figures
from controller.planning.own_file import option_of
from controller.planning.question import AnswerKind, Option, bare_unit, one_of
from controller.planning.questions import topics
from controller.planning.running_cost import assumptions_text, running_cost
from controller.planning.shopping import shopping_list
from controller.planning.verdict import Verdict
from controller.planning.verdict_words import (
    change_sentence,
    changes_heading,
    supply_sentence,
    verdict_sentence,
)
from controller.settings.models import Night, Stage
from controller.settings.species import band_of, read_species


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One question as a control."""

    key: str
    text: str
    hint: str
    options: tuple[Option, ...]
    is_count: bool
    value: str
    unknown: bool
    may_be_unknown: bool
    usual: bool
    """Whether nobody answered it yet."""
    problem: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """All controls by topic, and what was applied."""

    topics: tuple[tuple[str, tuple[Control, ...]], ...]
    changes: tuple[str, ...]


def controls_of(answers: Answers) -> Controls:
    """Return the controls with their answers in them."""
    known = {key: answer.value for key, answer in answers.of.items()}
    by_topic = []
    for topic in topics():
        controls = tuple(
            Control(
                key=question.key,
                text=question.text,
                hint=one_of(question.hint, known) or _unit_hint(bare_unit(question, known)),
                options=(*option_of(answers.of[question.key], question), *question.options),
                is_count=question.kind is AnswerKind.COUNT,
                value=answers.of[question.key].text,
                unknown=answers.of[question.key].origin is Origin.CAUTIOUS,
                may_be_unknown=question.cautious is not None,
                usual=answers.of[question.key].origin is Origin.DEFAULT,
                problem=answers.problems.get(question.key, ""),
            )
            for question in topic.questions
            if question.key in answers.of
        )
        by_topic.append((topic.title, controls))
    return Controls(topics=tuple(by_topic), changes=answers.changes)


def _unit_hint(unit: str) -> str:
    return f"in {unit}, unless you write another unit" if unit else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResult:
    """What came of the answers."""

    holds: bool
    sentence: str
    facts: tuple[tuple[str, str], ...]
    chart: Markup
    cautions: tuple[str, ...]
    applied: tuple[Applied, ...]
    shopping: tuple[tuple[str, str], ...]
    cost: tuple[tuple[str, str], ...]
    assumptions: str
    difference: tuple[str, ...]
    """How a person's own file changes."""


def result_of(consultation: Consultation, price: float) -> PlanResult:
    """Return what the page shows of a consultation.

    Args:
        consultation: The consultation.
        price: Of a kilowatt-hour, in the grower's money.
    """
    judgement = consultation.judgement
    cost = running_cost(judgement)
    chart = hot_days_chart(
        consultation.settings,
        consultation.rows,
        f"Rehearsed hot days. {verdict_sentence(judgement)}",
    )
    return PlanResult(
        holds=judgement.verdict is Verdict.HOLDS,
        sentence=verdict_sentence(judgement),
        facts=tuple(_facts(consultation)),
        chart=Markup(draw(chart)),  # noqa: S704 - draw escapes its texts
        cautions=(
            *cautions_of(consultation.answers, judgement.build.plant),
            *_room_of_a_file(consultation),
            *_learned(consultation),
            *_stage_kept(consultation),
        ),
        applied=consultation.applied,
        shopping=tuple(
            shopping_list(
                consultation.answers,
                judgement.build.plant,
                {each.key: each.what for each in consultation.applied},
            )
        ),
        cost=(
            ("Pump, fans, computer", _cost(cost.circulation_kwh, price)),
            ("Freezing the packs", _cost(cost.ice_kwh, price)),
            ("Together", _cost(cost.total_kwh, price)),
            ("Cooling the whole room instead", _cost(cost.room_kwh, price)),
        ),
        assumptions=assumptions_text(consultation.settings.display.unit),
        difference=consultation.difference,
    )


def _room_of_a_file(consultation: Consultation) -> Iterator[str]:
    if consultation.judgement.build.room is not None:
        named = consultation.settings.plant.room.csv or consultation.settings.simulation.weather
        yield (
            f"The room is that of {named}, its hottest days. Give an afternoon and a night of your "
            "own to plan with these; Save then takes the file out of your configuration."
        )


def _learned(consultation: Consultation) -> Iterator[str]:
    draft, settings = consultation.draft, consultation.settings
    if isinstance(draft, OwnDraft) and learned_figures(draft, settings):
        yield (
            f"{settings.plant.fitted}, which coldpin fit wrote, goes before your file: some of "
            "what you moved stays as learned. Take the line `fitted` out of your file to plan with "
            "other equipment."
        )


def _stage_kept(consultation: Consultation) -> Iterator[str]:
    """Yield that another species brings no points for a stage that goes by a name of its own."""
    draft, stage = consultation.draft, consultation.settings.chamber.stage
    if isinstance(draft, OwnDraft) and draft.answers.moved("species"):
        species = read_species()[draft.answers.text("species")]
        if band_of(species, stage) is None:
            yield (
                f"Which air this species wants in the stage “{stage}” is not known: its switching "
                "points stay as in your file. Choose fruiting or pinning for those of the species."
            )


@dataclass(frozen=True, slots=True)
class Preview:
    """What is shown while the whole rehearsal is under way."""

    sentence: str
    chart: Markup


def preview_of(sketched: Sketch) -> Preview:
    """Return what is shown first."""
    share = sketched.in_band_share
    sentence = (
        "First look: far too hot."
        if share is None
        else f"First look: in band {share:.0%} of a day."
    )
    chart = hot_days_chart(sketched.settings, sketched.rows, sentence)
    return Preview(sentence, Markup(draw(chart)))  # noqa: S704 - draw escapes its texts


def _cost(kwh: float, price: float) -> str:
    return f"{kwh:.1f} kWh a day: {kwh * price:.2f} at your price"


def _facts(consultation: Consultation) -> list[tuple[str, str]]:
    judgement, unit = consultation.judgement, consultation.settings.display.unit
    supply = judgement.supply
    facts = [
        ("Packs a day", "–" if supply.packs_per_day is None else f"{supply.packs_per_day:.0f}"),
        ("Pack changes", supply_sentence(judgement)),
        ("Getting up at night", waking(consultation)),
    ]
    if consultation.fails_at is not None and not judgement.holds:
        facts.append(("First too warm", day_words(consultation, consultation.fails_at)))
    stage, night = consultation.settings.stages[consultation.settings.chamber.stage], ""
    if stage.night is not None:
        hours = f"{stage.night.from_:%H:%M} to {stage.night.to:%H:%M}"
        night = f"; {_points(stage.night, unit)} from {hours}"
    facts.append(("Cooling starts and stops at", f"{_points(stage, unit)}{night}"))
    facts.append(
        (
            "Water in the cooler",
            measures.volume_text(judgement.build.plant.reservoir.litres, unit),
        )
    )
    return facts


def _points(band: Stage | Night, unit: str) -> str:
    return f"{words.temperature(band.cut_in, unit)} and {words.temperature(band.cut_out, unit)}"


def day_words(consultation: Consultation, at: datetime) -> str:
    """Return an instant of the hot days as people say it."""
    day = 1 + (at.date() - consultation.rows[0].time.date()).days
    return f"hot day {day} at {at:%H:%M}"


def waking(consultation: Consultation) -> str:
    """Return when the cold runs out while the grower sleeps."""
    days, people = consultation.judgement.days, consultation.settings.people
    if days is None:
        return "No pack change helps here."
    counted_from = consultation.rows[-1].time - timedelta(days=days.rehearsed_days)
    ends = [
        counted_from + timedelta(hours=each.put_in_h + each.useful_h)
        for each in days.sets
        if each.useful_h is not None
    ]
    at_night = sorted(
        {f"{at:%H:%M}" for at in ends if _asleep(at.time(), people.sleeps, people.wakes)}
    )
    if not at_night and not consultation.judgement.holds:
        return "That alone is not enough: see what stops it, above."
    if not at_night:
        return "Not needed: no set of packs runs out while you sleep."
    return f"A set of packs runs out at {', '.join(at_night[:3])}, while you sleep."


def _asleep(at: time, sleeps: time, wakes: time) -> bool:
    if sleeps > wakes:
        return at >= sleeps or at < wakes
    return sleeps <= at < wakes


@dataclass(frozen=True, slots=True, kw_only=True)
class Better:
    """One change as the page offers it."""

    key: str
    sentence: str
    effort: str
    may_apply: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class BetterList:
    """What to change first."""

    heading: str
    lead: str
    changes: tuple[Better, ...]


def changes_of(changes: tuple[Change, ...], verdict: Verdict) -> BetterList:
    """Return the changes as the page offers them.

    Args:
        changes: What to change first.
        verdict: On the build without them.
    """
    holds_already = verdict is Verdict.HOLDS
    mend = cheapest_mend(changes)
    if verdict is Verdict.NEEDS_HEAT:
        lead = "Nothing to change in the cooling: the chamber needs a warmer room, or a heater."
    elif not changes and holds_already:
        lead = "It works; no single change saves much ice."
    elif not changes:
        lead = "No single change brings much. Try a better insulated chamber or a cooler place."
    elif holds_already:
        lead = "Each of these brings something."
    elif mend is not None:
        lead = f"Cheapest that makes it work: {mend.what} ({mend.effort})."
    else:
        lead = "No single change is enough; these bring most."
    return BetterList(
        heading=changes_heading(holds_already=holds_already),
        lead=lead,
        changes=tuple(
            Better(
                key=change.key,
                sentence=change_sentence(change, holds_already=holds_already),
                effort=change.effort.value,
                may_apply=change.key != "night-shift",
            )
            for change in changes
        ),
    )
