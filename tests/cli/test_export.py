"""`coldpin export`: what was recorded, in a file that can be played back."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.core.state import Decision
from controller.domain.control_phase import Phase, Reason
from controller.domain.requests import LogSwap
from controller.probes.recorded import read_rows
from controller.records.boot import boottime
from controller.records.requests_file import REQUESTS, AskedAt, ask
from controller.records.writer import RecordsWriter
from controller.settings.shipped import shipped_config
from tests.support.laws import make_inputs, reading

CONFIG = str(shipped_config("larkmoor-laptop.toml"))
ON = Decision(True, True, Phase.COOL, Reason.CALL)


def test_export_is_read_back_row_by_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings to the millidegree, a lost probe as an empty cell, a swap at its row."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    records = RecordsWriter(
        tmp_path / "records.sqlite",
        chamber="c",
        boot_id="b",
        ahead_s=boottime() - 600.0,  # the clock of the law stands at 600 s now
    )
    for at in range(5):
        inputs = make_inputs(16.0 + at if at != 2 else None, 4.0, room=reading(24.5))
        records.note(120.0 * at, inputs, ON)
    records.close(10.0)
    at = datetime.now(UTC)
    for packs in (3, 1):
        ask(
            tmp_path / REQUESTS, LogSwap(packs=packs, at=at),
            who="Tove", at=AskedAt(utc_ms=0, boot_id="b", boot_ms=0),
        )  # fmt: skip
    target = tmp_path / "out.csv"

    assert status_of(["export", CONFIG, "--csv", str(target)]) == 0

    problems: list[str] = []
    rows = list(read_rows(target, on_problem=problems.append))
    assert [row.air_c for row in rows] == [16.0, 17.0, None, 19.0, 20.0, None]
    assert {row.room_c for row in rows[:5]} == {24.5}
    assert rows[-1].swap_packs == 4  # noted after the last reading, in one row of their own
    assert problems == []
    gaps = {(b.at - a.at).total_seconds() for a, b in pairwise(rows[:5])}
    assert gaps == {120.0}


@pytest.mark.parametrize(
    ("target", "status", "message"),
    [
        ("out.csv", 69, "No export: there are no records yet"),
        ("/nowhere/at/all.csv", 64, "'--csv': found no folder /nowhere/at; make it first"),
    ],
    ids=["no-records", "no-folder"],
)
def test_export_that_cannot_be_says_why(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    target: str,
    status: int,
    message: str,
) -> None:
    """One plain message."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert status_of(["export", CONFIG, "--csv", str(tmp_path / target)]) == status
    assert message in capsys.readouterr().err
