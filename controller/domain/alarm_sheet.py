"""The responses to all alarms as one page, for the notes that come with the program."""

from __future__ import annotations

from controller.domain.alarm_guide import Urgency, guide_of
from controller.domain.alarms import AlarmName

_WAITS = {
    Urgency.CROP: "The crop is being hurt: notified at any hour, again until marked as seen.",
    Urgency.SOON: "Notified once, at any hour.",
    Urgency.MORNING: "Notified once, but not while people sleep.",
    Urgency.NOTE: "A note on the page, no alarm: notified only where the settings name it.",
}


def alarms_as_markdown() -> str:
    """Return every alarm with its response, the most urgent first."""
    lines = [
        "# Alarms and what to do",
        "",
        "Printed by `coldpin keys --alarms`; a test holds it against the program.",
        "Page and notices show the same texts.",
        "The fields are those of a response sheet by ISA-18.2 and IEC 62682: an alarm is what",
        "needs a person's action in a known time; the rest is a note.",
        "",
        "Mains, water and electricity together: unplug first, and leave mains wiring to a licensed",
        "person; [cautions](cautions.md) has the rest.",
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
