"""What can be asked for from the page, the question that is asked first, and the answer after.

A button says what happens, a question asks, and an answer reports the end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from controller.domain.alarm_guide import alarm_title
from controller.domain.alarms import AlarmName
from controller.domain.requests import (
    SAME_CHANGE,
    SWAP_AHEAD,
    Acknowledge,
    FrozenThrough,
    LoggedSwap,
    LogSwap,
    Pause,
    Payload,
    Request,
    Reset,
    Resume,
    SetStage,
    Withdraw,
)
from controller.pictures.words import moment, pack_count
from controller.settings.load import Settings

PAUSES_MIN = (5, 15, 30, 60)
OLDEST_SWAP = timedelta(days=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionContext:
    """What an action is judged by."""

    settings: Settings
    now: datetime
    """In the chamber's zone."""
    last_swap: LoggedSwap | None = None
    logged: tuple[LoggedSwap, ...] = ()
    """Pack changes that can be corrected."""
    requests: tuple[Request, ...] = ()
    """What people asked for within the last day."""
    who: str = ""
    """Who acts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing to do."""

    what: str
    payload: Payload
    question: str
    """What will be done, as a question."""
    button: str
    """The answer that does it."""
    fields: dict[str, str]
    """The form's fields, to be sent again with the confirmation."""
    warning: str = ""
    """What speaks against it; empty: nothing."""
    instead_of: int | None = None
    """Number of a logged change that this one takes the place of."""
    same_as: int | None = None
    """Number of a change that somebody else has just logged, and that may be the same one."""


def action_of(what: str, form: Mapping[str, str], context: ActionContext) -> Action:
    """Return what a form asks for.

    Args:
        what: Last part of the form's address.
        form: Its fields.
        context: What it is judged by.

    Raises:
        ValueError: It asks for something that is not to be had; says what is.
    """
    match what:
        case "swap":
            return _swap(form, context)
        case "undo":
            return _undo(form, context)
        case "stage":
            return _stage(form, context.settings)
        case "pause":
            minutes = _number(form, "minutes", allowed=PAUSES_MIN)
            return Action(
                what=what,
                payload=Pause(for_s=60.0 * minutes),
                question=f"Stop pump and fan for {minutes} minutes?",
                button=f"Pause {minutes} min",
                fields={"minutes": str(minutes)},
            )
        case "resume":
            return Action(
                what=what,
                payload=Resume(),
                question="End the pause, so that pump and fan may run?",
                button="End the pause",
                fields={},
                warning=_pause_of_another(context),
            )
        case "ack":
            return _see(form)
        case "reset":
            return Action(
                what=what,
                payload=Reset(),
                question="End the lockout? Only after you have seen water move.",
                button="End the lockout",
                fields={},
            )
    raise ValueError(f"found {what[:40]!r}, which cannot be done from here")


def _stage(form: Mapping[str, str], settings: Settings) -> Action:
    name = form.get("name", "")
    if name not in settings.stages:
        known = ", ".join(sorted(settings.stages))
        raise ValueError(f"stage: found {name[:40]!r}, allowed: {known}")
    return Action(
        what="stage",
        payload=SetStage(name=name, instead_of=settings.chamber.stage),
        question=f"Change to the stage {name}?",
        button=f"Change to {name}",
        fields={"name": name},
    )


def _see(form: Mapping[str, str]) -> Action:
    alarm = form.get("alarm") or None
    if alarm is not None and alarm not in {name.value for name in AlarmName}:
        raise ValueError(f"alarm: found {alarm[:40]!r}, which is no alarm")
    which = "all active alarms" if alarm is None else f"“{alarm_title(alarm)}”"
    return Action(
        what="ack",
        payload=Acknowledge(alarm=alarm),
        question=f"Mark {which} as seen?",
        button="Mark as seen",
        fields={} if alarm is None else {"alarm": alarm},
    )


def _swap(form: Mapping[str, str], context: ActionContext) -> Action:
    settings, now = context.settings, context.now
    packs = _number(form, "packs", allowed=range(1, most_packs(settings) + 1))
    instead_of = _instead_of(form)
    wrong = None if instead_of is None else _still_counted(instead_of, context)
    known = FrozenThrough.UNKNOWN if wrong is None else FrozenThrough.of(wrong.frozen_through)
    through = form.get("through", known.value)
    if through not in {"yes", "no", "unknown"}:
        raise ValueError(f"through: found {through[:40]!r}, allowed: yes, no, unknown")
    if wrong is not None and not form.get("at", ""):
        at = wrong.at.astimezone(now.tzinfo)  # only the number of packs was wrong
    else:
        at = _instant(form.get("at", ""), now)
    words = {"yes": ", frozen through", "no": ", not frozen through", "unknown": ""}[through]
    same_words = "" if instead_of else _same_change(at, context)
    begins = "Correct the change to" if instead_of else "Log the change of"
    when = "now" if abs(now - at) < timedelta(minutes=1) else moment(at, now, far=False)
    return Action(
        what="swap",
        payload=LogSwap(
            packs=packs,
            at=at.replace(microsecond=0),
            note="" if wrong is None else wrong.note,
            frozen_through=FrozenThrough(through),
        ),
        question=f"{begins} {pack_count(packs)}, {when}{words}?",
        button="Log pack change",
        fields={
            "packs": str(packs),
            "through": through,
            "at": "" if wrong is not None and at == wrong.at else at.isoformat(timespec="seconds"),
            **({"instead_of": str(instead_of)} if instead_of else {}),
        },
        warning=same_words,
        instead_of=instead_of,
        same_as=context.last_swap.request if same_words and context.last_swap else None,
    )


def most_packs(settings: Settings) -> int:
    """Return how many packs a change may have: as many as there are."""
    return settings.plant_spec().packs.count


def _instant(text: str, now: datetime) -> datetime:
    at = now
    if text:
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            raise ValueError(f"at: found {text[:40]!r}, allowed: a date with a time") from None
        if at.tzinfo is None:
            at = at.replace(tzinfo=now.tzinfo)
    if not -OLDEST_SWAP <= at.astimezone(UTC) - now <= SWAP_AHEAD:
        raise ValueError(f"at: found {text[:40]}, allowed: within the last two days")
    return at


def _instead_of(form: Mapping[str, str]) -> int | None:
    text = form.get("instead_of", "")
    if not text:
        return None
    return _number(form, "instead_of", allowed=range(1, 10**6))


def _still_counted(number: int, context: ActionContext) -> LoggedSwap:
    """Return a logged change by its number.

    Raises:
        ValueError: Somebody has corrected it or taken it back meanwhile: done once more, one change
            would count twice.
    """
    for each in context.logged:
        if each.request == number:
            return each
    raise ValueError(
        f"found no pack change {number} that counts: it has been corrected or taken back already"
    )


def _same_change(at: datetime, context: ActionContext) -> str:
    last = context.last_swap
    if last is None or last.who == context.who or abs(last.at - at) > SAME_CHANGE:
        return ""
    logged = moment(last.at.astimezone(context.now.tzinfo), context.now, far=False)
    return (
        f"{last.who or 'Somebody'} logged {pack_count(last.packs)} at {logged}. Was that the same "
        "change? Logged twice, it counts twice."
    )


def _undo(form: Mapping[str, str], context: ActionContext) -> Action:
    number = _number(form, "id", allowed=range(1, 10**6))
    swap = _still_counted(number, context)
    at = moment(swap.at, context.now, far=False)
    return Action(
        what="undo",
        payload=Withdraw(request=number),
        question=f"Take back the change of {pack_count(swap.packs)}, {at}? The record keeps both.",
        button="Take it back",
        fields={"id": str(number)},
    )


def _pause_of_another(context: ActionContext) -> str:
    pause = next(
        (each for each in reversed(context.requests) if isinstance(each.payload, Pause)), None
    )
    if pause is None or pause.who == context.who:
        return ""
    return f"{pause.who} paused it: are their hands out of the chamber?"


def done_by_another(action: Action, requests: tuple[Request, ...], now: datetime) -> str:
    """Return by whom the same was done a moment ago; empty: by nobody.

    Args:
        action: What is asked for.
        requests: What people asked for lately.
        now: Now, in the zone to speak in.
    """
    if not isinstance(action.payload, Reset | Resume):
        return ""
    for each in reversed(requests):
        at = datetime.fromtimestamp(each.asked_utc_ms / 1000, UTC)
        if now - at > timedelta(minutes=10):
            break
        if type(each.payload) is not type(action.payload) or each.answer is None:
            continue
        if not (each.answer.is_refusal or each.answer.found_nothing):
            return f"That was done already, by {each.who} at {moment(at, now, far=False)}."
    return ""


def _number(form: Mapping[str, str], name: str, *, allowed: range | tuple[int, ...]) -> int:
    text = form.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) <= 6 and int(text) in allowed):
        raise ValueError(f"{name}: found {text[:40]!r}, allowed: {_range_words(allowed)}")
    return int(text)


def _range_words(allowed: range | tuple[int, ...]) -> str:
    if isinstance(allowed, range):
        return f"{allowed.start} to {allowed.stop - 1}"
    return ", ".join(str(value) for value in allowed)
