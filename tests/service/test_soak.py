"""Days of ticks with troubles thrown at random; `python -m tests.benchmarks.soak` has months."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.soak import Soak


@pytest.mark.parametrize("seed", [1, 2])
def test_no_tick_breaks_a_rule_whatever_is_thrown(tmp_path: Path, seed: int) -> None:
    """Twenty thousand ticks: invariants hold, outputs as decided, it ends off, records whole."""
    path = tmp_path / "records.sqlite"
    soak = Soak(seed, path)

    result = soak.turn(20_000)
    soak.close()

    assert result.starts > 20
    assert len(result.thrown) >= 8, "the soak threw too little to prove anything"
    assert not any(output.on for output in soak.outputs.values() if output.mood == "well")
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        (rows,) = file.execute("SELECT count(*) FROM readings").fetchone()
    assert rows > 1000
