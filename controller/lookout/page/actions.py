"""What can be asked for from the page, and how it is told back before it is done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from controller.domain.alarm_guide import alarm_title
from controller.domain.alarms import AlarmName
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    Payload,
    Reset,
    Resume,
    SetStage,
)
from controller.settings.load import Settings

MOST_PACKS = 1000
PAUSES_MIN = (5, 15, 30, 60)
OLDEST_SWAP = timedelta(days=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """One thing to do."""

    what: str
    payload: Payload
    words: str
    """What will be done, as a sentence."""
    fields: dict[str, str]
    """The form's fields, to be sent again with the confirmation."""


def doing_of(what: str, form: Mapping[str, str], *, settings: Settings, now: datetime) -> Doing:
    """Return what a form asks for.

    Args:
        what: Last part of the form's address.
        form: Its fields.
        settings: The configuration.
        now: Now, in the chamber's zone.

    Raises:
        ValueError: It asks for something that is not to be had; says what is.
    """
    match what:
        case "swap":
            return _swap(form, now)
        case "stage":
            name = form.get("name", "")
            if name not in settings.stages:
                known = ", ".join(sorted(settings.stages))
                raise ValueError(f"stage: found {name[:40]!r}, allowed: {known}")
            return Doing(
                what=what,
                payload=SetStage(name=name, instead_of=settings.chamber.stage),
                words=f"Put the band of the stage {name} in force.",
                fields={"name": name},
            )
        case "pause":
            minutes = _number(form, "minutes", allowed=PAUSES_MIN)
            return Doing(
                what=what,
                payload=Pause(for_s=60.0 * minutes),
                words=f"Stop pump and fan at once, for {minutes} minutes.",
                fields={"minutes": str(minutes)},
            )
        case "resume":
            return Doing(what=what, payload=Resume(), words="End the pause.", fields={})
        case "ack":
            alarm = form.get("alarm") or None
            if alarm is not None and alarm not in {name.value for name in AlarmName}:
                raise ValueError(f"alarm: found {alarm[:40]!r}, which is no alarm")
            told = "every alarm that stands" if alarm is None else alarm_title(alarm)
            return Doing(
                what=what,
                payload=Acknowledge(alarm=alarm),
                words=f"Tell that you have seen {told}.",
                fields={} if alarm is None else {"alarm": alarm},
            )
        case "reset":
            return Doing(
                what=what,
                payload=Reset(),
                words="End the lockout: you have seen to the loop, and water moves.",
                fields={},
            )
    raise ValueError(f"found {what[:40]!r}, which cannot be done from here")


def _swap(form: Mapping[str, str], now: datetime) -> Doing:
    packs = _number(form, "packs", allowed=range(1, MOST_PACKS + 1))
    through = form.get("through", "unknown")
    if through not in {"yes", "no", "unknown"}:
        raise ValueError(f"through: found {through[:40]!r}, allowed: yes, no, unknown")
    at_text = form.get("at", "")
    at = now
    if at_text:
        try:
            at = datetime.fromisoformat(at_text)
        except ValueError:
            raise ValueError(f"at: found {at_text[:40]!r}, allowed: a date with a time") from None
        if at.tzinfo is None:
            at = at.replace(tzinfo=now.tzinfo)
    if not now - OLDEST_SWAP <= at <= now + timedelta(minutes=5):
        raise ValueError(f"at: found {at_text[:40]}, allowed: within the last two days")
    words = {"yes": ", frozen through", "no": ", not frozen through", "unknown": ""}[through]
    return Doing(
        what="swap",
        payload=LogSwap(
            packs=packs, at=at.replace(microsecond=0), frozen_through=FrozenThrough(through)
        ),
        words=f"Note that {packs} packs went in at {at:%a %H:%M}{words}.",
        fields={
            "packs": str(packs),
            "through": through,
            "at": at.isoformat(timespec="seconds"),
        },
    )


def _number(form: Mapping[str, str], name: str, *, allowed: range | tuple[int, ...]) -> int:
    text = form.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) <= 6 and int(text) in allowed):
        raise ValueError(f"{name}: found {text[:40]!r}, allowed: {_told(allowed)}")
    return int(text)


def _told(allowed: range | tuple[int, ...]) -> str:
    if isinstance(allowed, range):
        return f"{allowed.start} to {allowed.stop - 1}"
    return ", ".join(str(value) for value in allowed)
