"""The responses to all alarms as one page, for the notes that come with the program."""

from __future__ import annotations

from controller.domain.alarm_guide import Urgency, guide_of
from controller.domain.alarms import AlarmName

_WAITS = {
    Urgency.CROP: "The crop is being hurt: notified at any hour, again until marked as seen.",
    Urgency.SOON: "Notified once, at any hour.",
    Urgency.MORNING: "Notified once, but not while people sleep.",
    Urgency.NOTE: "A note on the page, not an alarm: notified only if the settings name it.",
}


def alarms_as_markdown() -> str:
    """Return every alarm with its response, the most urgent first."""
    lines = [
        "# Alarms and what to do",
        "",
        "`coldpin keys --alarms` prints this page; page and notices use the same texts.",
        "Each alarm has the fields of a response sheet by ISA-18.2 and IEC 62682.",
        "An alarm needs a person to act within a known time; anything else is a note.",
        "",
        "Where mains, water and electricity meet: unplug first, and leave mains wiring to a",
        "licensed person. Read [the cautions](cautions.md).",
        "",
    ]
    order = list(Urgency)
    for name in sorted(AlarmName, key=lambda each: order.index(guide_of(each.value).urgency)):
        guide = guide_of(name.value)
        lines += [
            f"## {guide.title}",
            "",
            f"`{name.value}` · {_WAITS[guide.urgency]}",
            "",
            guide.meaning,
            "",
            f"**What to do.** {guide.action}",
            "",
            *(f"{number}. {step}" for number, step in enumerate(guide.steps, 1)),
            "",
            "**Likely causes, the likeliest first.**",
            "",
            *(f"{number}. {cause}" for number, cause in enumerate(guide.causes, 1)),
            "",
            f"**If nothing is done.** {guide.if_ignored}",
            "",
            f"**How long there is.** {guide.time}",
            "",
        ]
    return "\n".join(lines)
