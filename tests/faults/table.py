"""The table of faults that a test run ends with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tests.faults.bench import SAFE_OUTPUT_S, SAFE_PROBE_S, Outcome

OUTCOMES: list[Outcome] = []
MADE_SAFE = ("off", "tries again", "the other off")
OUTPUTS = (*MADE_SAFE, "as ever", "on", "rest")
"""What a scenario may expect of the outputs; see `Scenario.outputs`."""
OF_A_PROBE = {"text", "blocks", "slow", "gone", "another id", "off by"}


def keep(outcome: Outcome) -> None:
    """Keep an outcome for the table."""
    OUTCOMES.append(outcome)


def rows(outcomes: Sequence[Outcome]) -> Iterator[str]:
    """Yield the table line by line: fault, time to notice, outputs, alarm, recovery."""
    yield f"{'fault':36} {'noticed':>8} {'safe':>6} {'outputs':13} {'over':>7}  alarms"
    for each in sorted(outcomes, key=lambda outcome: outcome.scenario.name):
        safe = each.safe_s if each.scenario.outputs in MADE_SAFE else None
        yield (
            f"{each.scenario.name:36} {_length(each.noticed_s):>8} {_length(safe):>6} "
            f"{each.scenario.outputs:13} "
            f"{_length(each.recovered_s) if each.scenario.alarm else '':>7}  "
            f"{', '.join(each.alarms) or 'none'}"
        )
    held = sum(1 for each in outcomes if not broken(each))
    probes = [each.safe_s for each in outcomes if _of_a_probe(each) and each.safe_s is not None]
    others = [
        each.safe_s
        for each in outcomes
        if each.scenario.what == "output" and each.safe_s is not None
    ]
    yield f"faults tried {len(outcomes)}, held {held}"
    yield (
        f"longest from fault to safe: a probe {_length(max(probes, default=None))} "
        f"(aim {_length(SAFE_PROBE_S)}), an output {_length(max(others, default=None))} "
        f"(aim {_length(SAFE_OUTPUT_S)})"
    )


def broken(outcome: Outcome) -> list[str]:
    """Return what of a scenario's expectations, and of the bench's aims, did not hold."""
    result, wanted = [], outcome.scenario
    if wanted.alarm is None and outcome.alarms:
        result.append(f"alarms {outcome.alarms}, expected none")
    if wanted.alarm is not None:
        result += _late("alarm", outcome.noticed_s, wanted.notice_s)
        result += _late("alarm's end", outcome.recovered_s, wanted.recovers_s)
    if wanted.outputs in MADE_SAFE:
        result += _late("safe state", outcome.safe_s, wanted.safe_s)
    if wanted.outputs in {"off", "the other off"} and outcome.on_after_safe:
        result.append("on again while the fault lasted")
    if _of_a_probe(outcome):
        result += _late("safe state (aim)", outcome.safe_s, SAFE_PROBE_S)
    if wanted.what == "output":
        result += _late("safe state (aim)", outcome.safe_s, SAFE_OUTPUT_S)
    if wanted.outputs == "tries again" and not (outcome.on_after_safe and outcome.starts):
        result.append("never tried again")
    if wanted.outputs == "on" and outcome.course[-1] != (True, True):
        result.append("not on at its end")
    if wanted.outputs == "rest" and any(pump or fan for pump, fan in outcome.course):
        result.append("switched on")
    if wanted.outputs == "as ever" and outcome.course != outcome.without:
        result.append("outputs went another way than without the fault")
    if wanted.outputs not in OUTPUTS:
        result.append(f"outputs {wanted.outputs!r}, allowed: {', '.join(OUTPUTS)}")
    if wanted.refused is not None and wanted.refused not in outcome.refused:
        result.append(f"refused {outcome.refused}, expected {wanted.refused!r}")
    return result


def _late(what: str, actual_s: float | None, allowed_s: float | None) -> list[str]:
    if allowed_s is None:
        return []
    if actual_s is None:
        return [f"{what}: never"]
    return [f"{what} after {actual_s:g} s, at most {allowed_s:g} s"] if actual_s > allowed_s else []


def _of_a_probe(outcome: Outcome) -> bool:
    scenario = outcome.scenario
    return scenario.outputs == "off" and scenario.what in OF_A_PROBE


def _length(actual_s: float | None) -> str:
    if actual_s is None:
        return "–"
    return f"{actual_s:.0f} s" if actual_s < 600 else f"{actual_s / 60:.0f} min"
