"""What became of a request, in the words that the page and the shell share.

An answer reports the end, not the request.
"""

from __future__ import annotations

from datetime import datetime

from controller.domain.requests import (
    PAUSED_LONGER,
    Acknowledge,
    LogSwap,
    Pause,
    Request,
    Reset,
    Resume,
    SetStage,
    Withdraw,
)
from controller.pictures.words import moment, pack_count


def answer_words(request: Request, now: datetime) -> str:
    """Return what became of a request, as people read it on the page and at the shell.

    Args:
        request: The request.
        now: Now, in the zone to speak in.
    """
    if request.answer is None:
        return "Waiting for coldpin to take it…"
    if request.answer.is_refusal:
        return f"Not done: {request.answer.text}."
    if request.answer.found_nothing:
        return f"{request.answer.text.capitalize()}."
    match request.payload:
        case LogSwap(packs=packs, at=at):
            return f"Logged: {pack_count(packs)} at {moment(at, now, far=False)}."
        case Pause() if request.answer.text.endswith(PAUSED_LONGER):
            return "Paused already, for longer than that: pump and fan stay off until it ends."
        case Pause(for_s=for_s):
            ends = datetime.fromtimestamp(request.asked_utc_ms / 1000 + for_s, now.tzinfo)
            return f"Paused until {moment(ends, now, far=False)}: pump and fan are off."
        case SetStage(name=name):
            return f"The stage is {name} now."
    return _REPORTS.get(type(request.payload), request.answer.text)


_REPORTS: dict[type, str] = {
    Withdraw: "Taken back: that pack change no longer counts.",
    Resume: "The pause is over.",
    Acknowledge: "Marked as seen.",
    Reset: "The lockout is over.",
}
