"""Notices that packs are due: by the early bound, one for each lead and set of packs.

While people sleep they are kept back, unless the cold would run out before morning; then they are
sent in the evening already. Where that shows only at night, people are woken for it once.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from controller.domain.published_forecast import PublishedForecast
from controller.domain.requests import SWAP_AHEAD
from controller.lookout.next_change import next_change
from controller.lookout.notices.history import LeadSent, NoticeHistory
from controller.lookout.notices.message import SWAP_DUE, Notice
from controller.lookout.notices.notice_rules import Rules
from controller.records.snapshot import Snapshot

EVENING = timedelta(minutes=90)
"""How long before bedtime the night ahead is considered."""
SAME_SET_S = 3600.0
"""A set of packs is the same while its swap, as it is estimated, moves by less than this [s]."""
EVENING_LEAD_S = -1.0
"""Stands for the notice before bedtime among the leads."""
NIGHT_LEAD_S = -2.0
"""Stands for the notice that wakes people."""


def lead_due(
    history: NoticeHistory, snapshot: Snapshot, rules: Rules, now: datetime
) -> tuple[NoticeHistory, list[Notice]]:
    """Return what has been sent of packs that are due, and what to send now.

    Args:
        history: What was sent so far.
        snapshot: How the chamber is.
        rules: What the grower wants.
        now: Now, in the chamber's zone.
    """
    forecast = snapshot.forecast
    if not rules.leads_s or forecast is None or forecast.early is None:
        return history, []
    swap = snapshot.last_swap
    if (
        swap is not None
        and swap.at <= now + SWAP_AHEAD
        and forecast.as_of < max(swap.at, swap.logged_at)
    ):
        return history, []  # the forecast is of the packs that were just taken out
    early = forecast.early.astimezone(UTC)  # times in one zone differ by what the clock shows
    set_s = 0.0 if forecast.swapped_at is None else forecast.swapped_at.timestamp()
    passed = [lead_s for lead_s in rules.leads_s if now >= early - timedelta(seconds=lead_s)]
    lead_s: float | None = None
    if rules.awake(now):
        bedtime = rules.bedtime(now)
        if passed:
            lead_s = min(passed)
        elif now >= bedtime - EVENING and early < rules.next_waking(bedtime):
            lead_s = EVENING_LEAD_S
    elif early < rules.next_waking(now) and passed:
        sent_in_the_evening = _already_sent(history, set_s, EVENING_LEAD_S)
        lead_s = None if sent_in_the_evening else NIGHT_LEAD_S
    if lead_s is None or _already_sent(history, set_s, lead_s):
        return history, []
    notice = _notice(forecast, early, lead_s, rules, now)
    return history.with_lead(LeadSent(set_s=set_s, lead_s=lead_s)), [notice]


def _already_sent(history: NoticeHistory, set_s: float, lead_s: float) -> bool:
    """Return whether this lead, or a shorter one, was sent for this set of packs."""
    return any(
        abs(sent.set_s - set_s) < SAME_SET_S
        and (sent.lead_s == lead_s or (lead_s >= 0.0 and 0.0 <= sent.lead_s <= lead_s))
        for sent in history.leads
    )


def _notice(
    forecast: PublishedForecast, early: datetime, lead_s: float, rules: Rules, now: datetime
) -> Notice:
    change = next_change(forecast, None, now)
    body = change.do
    if lead_s == EVENING_LEAD_S:
        body = f"Before you sleep: {body[:1].lower()}{body[1:]}"
    if change.lasts:
        body += f" {change.lasts}"
    if lead_s == NIGHT_LEAD_S and change.by is not None and change.by > max(early, now):
        # the plan lets people sleep; whoever was woken may do better
        body += " To keep the air cool until then, change them now."
    _, _, why = change.why.partition("; ")  # the rest of its reason stands in the sentences before
    if why:
        body += f" Reason: {why}."
    return Notice(
        title=rules.title,
        body=body,
        urgent=early <= now,
        about=SWAP_DUE,
        link=rules.link("change-title"),
    )
