"""Which notices are due: decided from a snapshot, a time and what was said before. Pure.

The lead notices go by the early bound, one for each lead and set of packs. While people sleep they
are kept back, unless the cold would run out before morning; then it is told in the evening already.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from typing import Any

from controller.domain.alarm_guide import Urgency, alarm_title, guide_of, urgency_of
from controller.domain.alarms import Alarm
from controller.domain.daytime import within
from controller.domain.forecast import PublishedForecast
from controller.lookout.headline import Limits, alarm_words, headline_of
from controller.lookout.next_change import next_change
from controller.lookout.page.front import limits_of
from controller.pictures.words import duration, temperature
from controller.records.snapshot import Snapshot
from controller.settings.load import Settings

EVENING = timedelta(minutes=90)
"""How long before bedtime the night ahead is looked at."""
SAME_SET_S = 3600.0
"""A set of packs is the same while its swap, as it is believed, moves by less than this [s]."""
SILENT_FOR = timedelta(minutes=3)
QUIET_AFTER = timedelta(hours=1)
"""An alarm that comes back within this of being told waits; where it still stands then, it is told
again."""
SWAP_DUE, SILENT, SUMMARY = "swap_due", "silent", "summary"
EVENING_LEAD_S = -1.0
_KEPT = 40
_JUST_NOW = timedelta(minutes=5)
"""A swap is not believed to lie farther ahead than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What the grower wants to be told, and when."""

    leads_s: Sequence[float]
    """How long before the early bound to say that packs are due [s]."""
    wakes: time
    sleeps: time
    alarms: frozenset[str] | None = None
    """Alarms to be told; None: every one."""
    cleared: bool = True
    """Whether the end of an alarm is told too."""
    summary: time | None = None
    """When to tell how things are, once a day."""
    chamber: str = ""
    limits: Limits
    """What alarms go by, and the unit to speak in."""

    def awake(self, at: datetime) -> bool:
        """Return whether people are awake at a local time."""
        return within(at.time(), self.wakes, self.sleeps)

    def next_waking(self, at: datetime) -> datetime:
        """Return when people wake next."""
        today = at.replace(hour=self.wakes.hour, minute=self.wakes.minute, second=0, microsecond=0)
        return today if today > at else today + timedelta(days=1)

    def bedtime(self, at: datetime) -> datetime:
        """Return when people go to sleep next."""
        today = at.replace(
            hour=self.sleeps.hour, minute=self.sleeps.minute, second=0, microsecond=0
        )
        return today if today > at else today + timedelta(days=1)


def rules_of(settings: Settings) -> Rules:
    """Return what the grower wants to be told."""
    notices = settings.notices
    return Rules(
        leads_s=tuple(notices.swap_due_before),
        wakes=settings.people.wakes,
        sleeps=settings.people.sleeps,
        alarms=None if notices.alarms is None else frozenset(notices.alarms),
        cleared=notices.tell_cleared,
        summary=notices.summary_at,
        chamber=settings.chamber.name,
        limits=limits_of(settings),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something to be told."""

    title: str
    body: str
    urgent: bool = False
    about: str = ""
    """The alarm's name, ``silent`` or ``summary``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What was said so far; survives a restart."""

    leads: tuple[tuple[float, float], ...] = ()
    """Swap of the set [s since 1970] and the lead [s], -1 for the word in the evening."""
    standing: frozenset[str] = frozenset()
    """Alarms that were told and not cleared."""
    told: tuple[tuple[str, float], ...] = ()
    """When alarms were told last [s since 1970]."""
    silent_since_s: float | None = None
    silent_told: bool = False
    summary_day: int = 0
    """Day of the last summary, as an ordinal."""

    def document(self) -> dict[str, Any]:
        """Return it as JSON-able values."""
        return {
            "leads": [list(lead) for lead in self.leads],
            "standing": sorted(self.standing),
            "told": [list(each) for each in self.told],
            "silent_since_s": self.silent_since_s,
            "silent_told": self.silent_told,
            "summary_day": self.summary_day,
        }

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> Said:
        """Return what a document tells; one that is not understood tells nothing."""
        try:
            silent = document["silent_since_s"]
            return cls(
                leads=tuple((float(at), float(lead)) for at, lead in document["leads"]),
                standing=frozenset(str(key) for key in document["standing"]),
                told=tuple((str(key), float(at)) for key, at in document["told"]),
                silent_since_s=None if silent is None else float(silent),
                silent_told=bool(document["silent_told"]),
                summary_day=int(document["summary_day"]),
            )
        except (KeyError, TypeError, ValueError):
            return cls()


@dataclass(frozen=True, slots=True)
class _Step:
    said: Said
    notices: list[Notice] = field(default_factory=list)


def notices_due(
    said: Said, snapshot: Snapshot, rules: Rules, now: datetime
) -> tuple[Said, list[Notice]]:
    """Return what has been said after this moment, and what to say now.

    Args:
        said: What was said so far.
        snapshot: How the chamber is.
        rules: What the grower wants.
        now: Now, in the chamber's zone.
    """
    step = _silence(_Step(said), snapshot, rules, now)
    if not snapshot.silent:
        step = _alarms(step, snapshot, rules, now)
    step = _leads(step, snapshot, rules, now)
    step = _summary(step, snapshot, rules, now)
    return step.said, step.notices


def _silence(step: _Step, snapshot: Snapshot, rules: Rules, now: datetime) -> _Step:
    said, now_s = step.said, now.timestamp()
    if not snapshot.silent:
        notices = list(step.notices)
        if said.silent_told:
            body = "The controller speaks again."
            notices.append(Notice(title=_title(rules), body=body, about=SILENT))
        return _Step(replace(said, silent_since_s=None, silent_told=False), notices)
    # a clock that was set back would have the silence begin in the future
    if said.silent_since_s is None or now_s < said.silent_since_s:
        return _Step(replace(said, silent_since_s=now_s), step.notices)
    if said.silent_told or now_s - said.silent_since_s < SILENT_FOR.total_seconds():
        return step
    body = (
        "The controller has been silent for "
        f"{duration(now_s - said.silent_since_s)}: nobody cools the chamber. Look at its machine."
    )
    return _Step(
        replace(said, silent_told=True),
        [*step.notices, Notice(title=_title(rules), body=body, urgent=True, about=SILENT)],
    )


def _alarms(step: _Step, snapshot: Snapshot, rules: Rules, now: datetime) -> _Step:
    """Tell alarms that are new, and those that are over; swap due has its own leads."""
    notices = list(step.notices)
    standing = {
        f"{alarm.name} {alarm.about}".strip(): alarm
        for alarm in (() if snapshot.status is None else snapshot.status.alarms)
        if alarm.name != SWAP_DUE and (rules.alarms is None or alarm.name in rules.alarms)
    }
    awake, now_s = rules.awake(now), now.timestamp()
    told_at = dict(step.said.told)
    told = set(step.said.standing)
    for key, alarm in standing.items():
        # a clock that was set back makes no alarm quiet: then it was told in the future
        lately = 0.0 <= now_s - told_at.get(key, -math.inf) < QUIET_AFTER.total_seconds()
        if key in told or lately or (not awake and urgency_of(alarm) is Urgency.MORNING):
            continue
        told.add(key)
        told_at[key] = now_s
        body = (
            f"{_words_of(alarm, snapshot, rules)}. {guide_of(alarm.name).action} "
            f"{_readings(snapshot, rules)}"
        )
        notices.append(Notice(title=_title(rules), body=body, urgent=True, about=alarm.name))
    for key in sorted(told - standing.keys()):
        told.remove(key)
        if rules.cleared:
            name, _, about = key.partition(" ")
            body = f"Over: {alarm_title(name, about)}."
            notices.append(Notice(title=_title(rules), body=body, about=name))
    said = replace(
        step.said,
        standing=frozenset(told),
        told=tuple(sorted(told_at.items(), key=lambda each: each[1])[-_KEPT:]),
    )
    return _Step(said, notices)


def _leads(step: _Step, snapshot: Snapshot, rules: Rules, now: datetime) -> _Step:
    forecast = snapshot.forecast
    if not rules.leads_s or forecast is None or forecast.early is None:
        return step
    swap = snapshot.last_swap
    if swap is not None and forecast.as_of < swap.at <= now + _JUST_NOW:
        return step  # the forecast is of the packs that have just been taken out
    early = forecast.early.astimezone(now.tzinfo)
    set_s = 0.0 if forecast.swapped_at is None else forecast.swapped_at.timestamp()
    passed = [lead_s for lead_s in rules.leads_s if now >= early - timedelta(seconds=lead_s)]
    waking = rules.next_waking(now)
    before_morning = early < waking
    lead_s: float | None = None
    if rules.awake(now):
        if passed:
            lead_s = min(passed)
        elif now >= rules.bedtime(now) - EVENING and early < rules.next_waking(rules.bedtime(now)):
            lead_s = EVENING_LEAD_S
    elif before_morning and passed:
        told_in_the_evening = _was_said(step.said, set_s, EVENING_LEAD_S)
        lead_s = None if told_in_the_evening else min(passed)
    if lead_s is None or _was_said(step.said, set_s, lead_s):
        return step
    said = replace(step.said, leads=(*step.said.leads, (set_s, lead_s))[-_KEPT:])
    return _Step(said, [*step.notices, _lead_notice(forecast, early, lead_s, rules, now)])


def _was_said(said: Said, set_s: float, lead_s: float) -> bool:
    """Return whether this lead, or a shorter one, was said of this set of packs."""
    return any(
        abs(of_s - set_s) < SAME_SET_S
        and (said_s == lead_s or (lead_s >= 0.0 and 0.0 <= said_s <= lead_s))
        for of_s, said_s in said.leads
    )


def _lead_notice(
    forecast: PublishedForecast, early: datetime, lead_s: float, rules: Rules, now: datetime
) -> Notice:
    change = next_change(forecast, None, now)
    body = change.do
    if lead_s == EVENING_LEAD_S:
        body = f"Before you sleep: {body[:1].lower()}{body[1:]}"
    if change.lasts:
        body += f" {change.lasts}"
    _, _, why = change.why.partition("; ")  # the rest of its reason has just been said
    if why:
        body += f" Reason: {why}."
    return Notice(title=_title(rules), body=body, urgent=early <= now, about=SWAP_DUE)


def _summary(step: _Step, snapshot: Snapshot, rules: Rules, now: datetime) -> _Step:
    today = now.toordinal()
    if rules.summary is None or now.time() < rules.summary or step.said.summary_day == today:
        return step
    headline = headline_of(snapshot, rules.limits, now)
    change = next_change(snapshot.forecast, snapshot.last_swap, now)
    body = " ".join(each for each in (headline.words, headline.action, change.do) if each)
    return _Step(
        replace(step.said, summary_day=today),
        [*step.notices, Notice(title=_title(rules), body=body, about=SUMMARY)],
    )


def _title(rules: Rules) -> str:
    return rules.chamber or "fruiting chamber"


def _words_of(alarm: Alarm, snapshot: Snapshot, rules: Rules) -> str:
    if snapshot.status is None:
        return alarm_title(alarm.name, alarm.about)
    return alarm_words(alarm, snapshot.status, rules.limits)


def _readings(snapshot: Snapshot, rules: Rules) -> str:
    """Return air and reservoir in a sentence, as far as they are known."""
    status = snapshot.status
    if status is None:
        return ""
    shown = [
        f"{name} {temperature(1000 * value_c, rules.limits.unit)}"
        for name, value_c in (("air", status.air_c), ("reservoir", status.reservoir_c))
        if value_c is not None
    ]
    words = ", ".join(shown)
    return f"{words[:1].upper()}{words[1:]}." if shown else ""
