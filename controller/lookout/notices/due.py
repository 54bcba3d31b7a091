"""Which notices are due: decided from a snapshot, a time and what was sent before. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from controller.domain.requests import Acknowledge
from controller.lookout.headline import headline_of
from controller.lookout.next_change import next_change
from controller.lookout.notices.alarms_due import alarms_due
from controller.lookout.notices.history import NoticeHistory
from controller.lookout.notices.leads import lead_due
from controller.lookout.notices.message import NO_DATA, OUTAGE, SUMMARY, Notice
from controller.lookout.notices.notice_rules import Rules
from controller.pictures.words import duration, moment
from controller.records.snapshot import Snapshot

NO_DATA_FOR = timedelta(minutes=3)
"""So long without data before anybody is notified: a restart is no news."""


def notices_due(
    history: NoticeHistory, snapshot: Snapshot, rules: Rules, now: datetime
) -> tuple[NoticeHistory, list[Notice]]:
    """Return what has been sent after this moment, and what to send now.

    Args:
        history: What was sent so far.
        snapshot: How the chamber is.
        rules: What the grower wants.
        now: Now, in the chamber's zone.
    """
    notices: list[Notice] = []
    history, more = _no_data(history, snapshot, rules, now)
    notices += more
    if not snapshot.silent:
        history, more = alarms_due(history, snapshot, rules, now)
        notices += more
    history, more = lead_due(history, snapshot, rules, now)
    notices += more
    history, more = _summary(history, snapshot, rules, now)
    return history, notices + more


def outage_notice(
    since: datetime, snapshot: Snapshot, rules: Rules, now: datetime, *, cause: str
) -> Notice:
    """Return the notice after a time in which nobody could be notified.

    Args:
        since: When it began.
        snapshot: How the chamber is now.
        rules: What the grower wants.
        now: Now, in the chamber's zone.
        cause: What there was none of, such as ``No data``.
    """
    headline = headline_of(snapshot, rules.limits, now)
    lasted = duration(60 * round((now - since).total_seconds() / 60))
    body = (
        f"{cause} from {moment(since, now, far=False)} to {moment(now, now, far=False)} ({lasted})."
        f" Now: {headline.words}"
    )
    if headline.action:
        body += f" {headline.action}"
    return Notice(
        title=rules.title,
        body=body,
        about=OUTAGE,
        link=rules.link("headline"),
        since_s=since.timestamp(),
    )


def _no_data(
    history: NoticeHistory, snapshot: Snapshot, rules: Rules, now: datetime
) -> tuple[NoticeHistory, list[Notice]]:
    now_s, since_s, sent_s = now.timestamp(), history.no_data_since_s, history.no_data_sent_s
    if not snapshot.silent:
        notices = []
        if sent_s is not None and since_s is not None:
            since = datetime.fromtimestamp(min(since_s, now_s), UTC)
            notices.append(outage_notice(since, snapshot, rules, now, cause="No data"))
        return replace(history, no_data_since_s=None, no_data_sent_s=None), notices
    # a clock that was set back would have it begin in the future
    if since_s is None or now_s < since_s:
        return replace(history, no_data_since_s=now_s, no_data_sent_s=None), []
    if now_s - since_s < NO_DATA_FOR.total_seconds():
        return history, []
    if sent_s is not None:
        repeats = rules.repeat_s > 0 and now_s - sent_s >= rules.repeat_s
        if not repeats or _is_acknowledged(snapshot, since_s):
            return history, []
    headline = headline_of(snapshot, rules.limits, now)
    parts = [headline.words, headline.action, headline.more]
    if sent_s is not None:
        parts.append("If coldpin is meant to be off, coldpin ack ends these reminders.")
    notice = Notice(
        title=rules.title,
        body=" ".join(part for part in parts if part),
        urgent=True,
        about=NO_DATA,
        crop=True,
        alarm=NO_DATA,
        link=rules.link("headline"),
    )
    return replace(history, no_data_sent_s=now_s), [notice]


def _is_acknowledged(snapshot: Snapshot, since_s: float) -> bool:
    """Return whether somebody has marked everything as seen since then [s since 1970]."""
    return any(
        isinstance(each.payload, Acknowledge) and each.asked_utc_ms / 1000 >= since_s
        for each in snapshot.requests
    )


def _summary(
    history: NoticeHistory, snapshot: Snapshot, rules: Rules, now: datetime
) -> tuple[NoticeHistory, list[Notice]]:
    today = now.toordinal()
    if rules.summary is None or now.time() < rules.summary or history.summary_day == today:
        return history, []
    headline = headline_of(snapshot, rules.limits, now)
    change = next_change(snapshot.forecast, snapshot.last_swap, now)
    body = " ".join(each for each in (headline.words, headline.action, change.do) if each)
    notice = Notice(title=rules.title, body=body, about=SUMMARY, link=rules.link("change-title"))
    return replace(history, summary_day=today), [notice]
