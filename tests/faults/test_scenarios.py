"""Every fault of the bench: noticed in time, safe in time, told by name, over when it ends."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.bench import SCENARIOS, Bench, Outcome, read_scenario, small_medium
from tests.faults.table import keep

PATHS = sorted(SCENARIOS.glob("*.toml"))


def played(name: str, folder: Path) -> Outcome:
    """Bring a fault about, on a small card where it is about a card."""
    scenario = read_scenario(SCENARIOS / f"{name}.toml")
    if scenario.what != "full":
        bench = Bench(folder)
        try:
            return bench.play(scenario)
        finally:
            bench.close()
    try:
        with small_medium(folder) as medium:
            bench = Bench(folder, medium=medium)
            try:
                return bench.play(scenario)
            finally:
                bench.close()
    except OSError as error:
        pytest.skip(f"no small file system here: {error}")


@pytest.mark.parametrize("name", [path.stem for path in PATHS])
def test_a_fault_is_noticed_and_what_it_touches_made_safe(name: str, tmp_path: Path) -> None:
    """As its file says; the law's own invariants are held against every tick on the way."""
    outcome = played(name, tmp_path)
    keep(outcome)
    scenario = outcome.scenario

    if scenario.alarm is None:
        assert outcome.alarms == []
    else:
        assert scenario.alarm in outcome.alarms
        assert outcome.noticed_s is not None
        assert scenario.notice_s is not None
        assert outcome.noticed_s <= scenario.notice_s
    if scenario.safe_s is not None:
        assert outcome.safe_s is not None
        assert outcome.safe_s <= scenario.safe_s
    if scenario.recovers_s is not None:
        assert outcome.recovered_s is not None
        assert outcome.recovered_s <= scenario.recovers_s
    if scenario.refused is not None:
        assert scenario.refused in outcome.refused
