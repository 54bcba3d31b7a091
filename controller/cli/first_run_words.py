"""The last first run in a few words; apart, so that whoever shows it opens no relay's code."""

from __future__ import annotations

from typing import Any


def words_of(found: dict[str, Any] | None) -> str:
    """Return the last first run in a few words, for the report and the status."""
    if found is None:
        return "none on record; coldpin first-run makes one"
    day = str(found["at"])[:10]
    failed = [step["name"] for step in found["steps"] if step["outcome"] == "failed"]
    skipped = [step["name"] for step in found["steps"] if step["outcome"] == "skipped"]
    more = f"; left out: {', '.join(skipped)}" if skipped else ""
    if found["signed"]:
        return f"signed off by {found['who']} on {day}{more}"
    return f"not signed off on {day} ({found['who']}): {', '.join(failed) or 'no name'}{more}"
