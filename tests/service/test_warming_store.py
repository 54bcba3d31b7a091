"""What was learned of the air's warming: kept, read again, doubted, of another release."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from controller.core.decide import begin
from controller.core.memory import Warming, WarmingLine
from controller.core.state import State
from controller.core.warming import LEARNED_BLOCKS, expected_speed_k_h
from controller.domain.places import KEPT_WARMING
from controller.service.warming_store import OLDEST_S, WarmingStore

LEARNED = Warming(line=WarmingLine(20.0, 180.0, 90.0, 1700.0, 850.0, LEARNED_BLOCKS, 5.0), slow=2)
IDS = {"air": "28-a", "reservoir": "28-w", "room": "28-r"}
WRITTEN_S = 1_784_000_000.0


def learned_state(warming: Warming = LEARNED) -> State:
    state = begin(0.0)
    return replace(state, expectations=state.expectations._replace(warming=warming))


def kept_in(place: Path, warming: Warming = LEARNED) -> Path:
    store = WarmingStore(place, utc=lambda: WRITTEN_S)
    store.keep(learned_state(warming), IDS)
    store.close()
    return place / KEPT_WARMING


def restored(place: Path, *, ids: dict[str, str] = IDS, later_s: float = 60.0) -> Warming:
    store = WarmingStore(place, utc=lambda: WRITTEN_S + later_s)
    state = store.restored(begin(0.0), ids)
    store.close()
    return state.expectations.warming


def test_a_restart_takes_up_what_was_learned(tmp_path: Path) -> None:
    """Blocks that were slow before it count on: two more restarts must not hide a stuck relay."""
    kept_in(tmp_path)

    assert restored(tmp_path) == LEARNED
    assert expected_speed_k_h(restored(tmp_path).line, 9.0) is not None


@pytest.mark.parametrize(
    ("ids", "later_s"),
    [
        pytest.param({**IDS, "air": "28-b"}, 60.0, id="another-air-probe"),
        pytest.param({"air": "28-a"}, 60.0, id="no-room-probe-any-more"),
        pytest.param(IDS, OLDEST_S + 1.0, id="long-ago"),
        pytest.param(IDS, -86_400.0, id="clock-not-set"),
    ],
)
def test_where_it_is_doubtful_it_is_unknown(
    tmp_path: Path, ids: dict[str, str], later_s: float
) -> None:
    """A line of another probe or season would blame a sound plant."""
    kept_in(tmp_path)

    assert restored(tmp_path, ids=ids, later_s=later_s) == Warming()


def test_another_reservoir_probe_changes_nothing(tmp_path: Path) -> None:
    """It is learned by air and room alone."""
    kept_in(tmp_path)

    assert restored(tmp_path, ids={**IDS, "reservoir": "28-x"}) == LEARNED


def test_a_damaged_file_is_unknown_and_is_replaced(tmp_path: Path) -> None:
    """Whatever it holds, nothing is raised and the next block overwrites it."""
    good = json.loads(kept_in(tmp_path).read_text(encoding="utf-8"))
    odd = [
        b"", b"{", b"[" * 100_000, b"\xff",
        json.dumps({**good, "line": {**good["line"], "weight": 0.0}}).encode(),
        json.dumps({**good, "line": {**good["line"], "excess": float("nan")}}).encode(),
        json.dumps({**good, "line": {**good["line"], "blocks": "many"}}).encode(),
        json.dumps({**good, "slow": -4}).encode(),
    ]  # fmt: skip
    for damaged in odd:
        (tmp_path / KEPT_WARMING).write_bytes(damaged)
        assert restored(tmp_path) == Warming(), damaged[:80]
        kept_in(tmp_path)
        assert restored(tmp_path) == LEARNED


def test_a_file_of_a_later_release_is_left_alone(tmp_path: Path) -> None:
    """It is not damage."""
    later = b'{"format": 2, "line": "otherwise"}'
    (tmp_path / KEPT_WARMING).write_bytes(later)
    store = WarmingStore(tmp_path, utc=lambda: WRITTEN_S)

    assert store.restored(begin(0.0), IDS).expectations.warming == Warming()
    store.keep(learned_state(), IDS)
    store.close()

    assert (tmp_path / KEPT_WARMING).read_bytes() == later


def test_nothing_is_written_before_the_first_block(tmp_path: Path) -> None:
    """And nothing again while nothing was learned."""
    store = WarmingStore(tmp_path, utc=lambda: WRITTEN_S)
    store.keep(begin(0.0), IDS)
    store.close()

    assert not (tmp_path / KEPT_WARMING).exists()


def test_one_block_that_was_learned_is_worth_keeping(tmp_path: Path) -> None:
    """The first of a chamber: nothing slow or sound has been counted yet."""
    first = Warming(line=WarmingLine(1.0, 0.9, 0.5, 0.81, 0.45, 1, 0.9))
    kept_in(tmp_path, first)

    assert restored(tmp_path) == first


def test_why_it_is_learned_anew_is_in_the_log(tmp_path: Path) -> None:
    """Whoever exchanged a probe reads what that costs."""
    kept_in(tmp_path)

    with capture_logs() as logs:
        restored(tmp_path, ids={**IDS, "air": "28-b"})

    assert [(line["event"], line["why"]) for line in logs] == [
        ("warming_is_learned_anew", "other probes are fitted")
    ]


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ('{"format": 99}', "kept_warming_of_a_newer_release"),
        ("no json", "kept_warming_unreadable"),
    ],
)
def test_a_file_that_is_not_taken_up_is_in_the_log(tmp_path: Path, text: str, event: str) -> None:
    """With the file's name."""
    file = tmp_path / KEPT_WARMING
    file.write_text(text, encoding="utf-8")

    with capture_logs() as logs:
        restored(tmp_path)

    assert [(line["event"], line["file"]) for line in logs] == [(event, str(file))]
