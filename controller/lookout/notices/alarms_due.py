"""Notices of alarms: when one is raised, again until somebody has seen it, and when it is over.

An alarm that can wait is not sent while people sleep. One that hurts the crop is sent at any hour,
and sent again at an interval until somebody marks it as seen. What needs no person soon is shown
on the page and sent only where the grower names it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from controller.domain.alarm_guide import Urgency, alarm_title, urgency_of
from controller.domain.alarms import Alarm
from controller.domain.status import Status
from controller.lookout.headline import alarm_words, first_action
from controller.lookout.notices.history import AlarmSent, NoticeHistory
from controller.lookout.notices.message import SWAP_DUE, Notice, alarm_key
from controller.lookout.notices.notice_rules import Rules
from controller.pictures.words import moment, temperature
from controller.records.snapshot import Snapshot

QUIET_FOR = timedelta(hours=1)
"""An alarm that comes back within this of its last notice waits; where it is still active then, it
is sent again."""
ALARMS_PART = "alarms-title"
"""Id of the alarms on the page."""


def alarms_due(
    history: NoticeHistory, snapshot: Snapshot, rules: Rules, now: datetime
) -> tuple[NoticeHistory, list[Notice]]:
    """Return what has been sent of alarms after this moment, and what to send now.

    Packs that are due have leads of their own.

    Args:
        history: What was sent so far.
        snapshot: How the chamber is; with data.
        rules: What the grower wants.
        now: Now, in the chamber's zone.
    """
    notices: list[Notice] = []
    status = snapshot.status
    active = {
        alarm_key(alarm.name, alarm.about): alarm
        for alarm in (() if status is None else status.alarms)
        if alarm.name != SWAP_DUE and _is_wanted(alarm, rules)
    }
    now_s = now.timestamp()
    for key, alarm in active.items():
        sent = history.alarm(key)
        if status is None or not _is_due(alarm, sent, rules, now):
            continue
        repeats = sent is not None and sent.active
        since_s = sent.since_s if sent is not None and repeats else now_s
        history = history.with_alarm(AlarmSent(key=key, since_s=since_s, at_s=now_s, active=True))
        since = datetime.fromtimestamp(min(since_s, now_s), UTC) if repeats else None
        notices.append(_notice(alarm, status, rules, now, since=since))
    for sent in sorted(history.alarms, key=lambda each: each.key):
        if not sent.active or sent.key in active:
            continue
        history = history.with_alarm(replace(sent, active=False))
        if rules.cleared:
            name, _, about = sent.key.partition(" ")
            body = f"Over: {alarm_title(name, about)}."
            link = rules.link("headline")
            notices.append(Notice(title=rules.title, body=body, about=name, link=link))
    return history, notices


def _is_wanted(alarm: Alarm, rules: Rules) -> bool:
    if rules.alarms is not None:
        return alarm.name in rules.alarms
    return urgency_of(alarm) is not Urgency.NOTE


def _is_due(alarm: Alarm, sent: AlarmSent | None, rules: Rules, now: datetime) -> bool:
    if alarm.acknowledged:
        return False
    urgency = urgency_of(alarm)
    # a clock that was set back makes no alarm quiet: then it was sent in the future
    ago_s = float("inf") if sent is None else now.timestamp() - sent.at_s
    if sent is not None and sent.active:
        repeats = urgency is Urgency.CROP and rules.repeat_s > 0
        return repeats and not 0.0 <= ago_s < rules.repeat_s
    if 0.0 <= ago_s < QUIET_FOR.total_seconds():
        return False
    return rules.awake(now) or urgency in {Urgency.CROP, Urgency.SOON}


def _notice(
    alarm: Alarm, status: Status, rules: Rules, now: datetime, *, since: datetime | None
) -> Notice:
    """Return the notice of an active alarm: number, limit, action, readings.

    Args:
        alarm: The alarm.
        status: How the chamber is.
        rules: What the grower wants.
        now: Now, in the chamber's zone.
        since: When it was sent first; None: it is new.
    """
    words = alarm_words(alarm, status, rules.limits)
    if since is not None:
        words = f"Still, since {moment(since, now, far=False)}: {words}"
    action = first_action(alarm, status, rules.limits)
    parts = [f"{words}.", action, alarm.note, _readings(status, rules)]
    if since is not None:
        parts.append("Mark it as seen to end these reminders.")
    return Notice(
        title=rules.title,
        body=" ".join(part for part in parts if part),
        urgent=True,
        about=alarm.name,
        alarm=alarm_key(alarm.name, alarm.about),
        crop=urgency_of(alarm) is Urgency.CROP,
        link=rules.link(ALARMS_PART),
    )


def _readings(status: Status, rules: Rules) -> str:
    """Return air and reservoir in a sentence, as far as they are known."""
    shown = [
        f"{name} {temperature(1000 * value_c, rules.limits.unit)}"
        for name, value_c in (("air", status.air_c), ("reservoir", status.reservoir_c))
        if value_c is not None
    ]
    words = ", ".join(shown)
    return f"{words[:1].upper()}{words[1:]}." if shown else ""
