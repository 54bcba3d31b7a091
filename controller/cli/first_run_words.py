"""The last first run in a few words; apart, so that whoever shows it opens no relay's code."""

from __future__ import annotations

from controller.domain.first_run import FAILED, SKIPPED, FirstRun


def first_run_summary(run: FirstRun | None) -> str:
    """Return the last first run in a few words, for the report and the status."""
    if run is None:
        return "none on record; coldpin first-run makes one"
    skipped, failed = run.named(SKIPPED), run.named(FAILED)
    more = f"; left out: {', '.join(skipped)}" if skipped else ""
    day = f"{run.at:%Y-%m-%d}"
    if run.signed:
        return f"signed off by {run.who} on {day}{more}"
    return f"not signed off on {day} ({run.who}): {', '.join(failed) or 'no name'}{more}"
