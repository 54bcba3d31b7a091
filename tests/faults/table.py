"""The table of faults that a test run ends with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tests.faults.bench import Outcome

OUTCOMES: list[Outcome] = []


def keep(outcome: Outcome) -> None:
    """Keep an outcome for the table."""
    OUTCOMES.append(outcome)


def rows(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Yield the table line by line: fault, time to notice, outputs, alarm, recovery."""
    yield f"{'fault':28} {'noticed':>9} {'both off':>9} {'outputs':20} {'alarm':17} {'over':>7}"
    for each in sorted(outcomes, key=lambda outcome: outcome.scenario.name):
        yield (
            f"{each.scenario.name:28} {_length(each.noticed_s):>9} {_length(each.safe_s):>9} "
            f"{each.scenario.outputs:20} {', '.join(each.alarms) or 'none':17} "
            f"{_length(each.recovered_s) if each.scenario.alarm else '':>7}"
        )


def _length(found_s: float | None) -> str:
    if found_s is None:
        return "–"
    return f"{found_s:.0f} s" if found_s < 600 else f"{found_s / 60:.0f} min"
