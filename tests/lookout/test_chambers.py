"""Which chamber first, and one freezer for all of them."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.domain.published_forecast import PlannedChange, PublishedForecast
from controller.lookout.broker.documents import Messages
from controller.lookout.broker.identity import Identity, RunMode
from controller.lookout.broker.other_chambers import Retained, receive
from controller.lookout.chamber_rows import rows_of
from controller.lookout.chambers import (
    PAGE,
    ChamberSummary,
    chamber_of,
    chambers_below,
    chambers_of_broker,
    in_order,
)
from controller.lookout.next_change import next_change
from controller.lookout.pack_budget import budget_of, budget_words
from controller.records.forecast_file import write_forecast
from tests.lookout.houses import alarm, forecast, put_status, snapshot, status

NOW = datetime(2026, 7, 14, 14, 0, tzinfo=UTC)


def chamber(name: str, **changes: Any) -> ChamberSummary:
    """Return a chamber that is well and due in a day."""
    usual = {
        "instance": name,
        "name": name,
        "silent": False,
        "known": True,
        "early": NOW + timedelta(hours=24),
        "due": NOW + timedelta(hours=26),
    }
    return ChamberSummary(**{**usual, **changes})


def planned(hours: float, packs: int) -> PlannedChange:
    """Return a swap so many hours from now."""
    return PlannedChange(at=NOW + timedelta(hours=hours), packs=packs, why="")


def test_order_is_silent_then_hurt_then_by_the_early_bound() -> None:
    """What is not known comes as if due in half a day; what is far off comes last."""
    chambers = [
        chamber("far", early=None, due=None),
        chamber("tomorrow"),
        chamber("soon", early=NOW + timedelta(hours=3), due=NOW + timedelta(hours=9)),
        chamber("later", early=NOW + timedelta(hours=5), due=NOW + timedelta(hours=6)),
        chamber("unknown", known=False, early=None, due=None),
        chamber(
            "warm", alarms=(alarm("swap_due"), alarm("air_high")), early=NOW + timedelta(hours=30)
        ),
        chamber("silent", silent=True),
    ]

    ordered = in_order(chambers, now=NOW)

    assert [each.instance for each, _ in ordered] == [
        "silent", "warm", "soon", "later", "unknown", "tomorrow", "far",
    ]  # fmt: skip
    assert {each.instance: why for each, why in ordered}["warm"] == "the crop needs somebody now"


def test_an_alarm_that_hurts_no_crop_now_changes_no_order() -> None:
    """Frequent starts are for the morning."""
    chambers = [
        chamber("b", early=NOW + timedelta(hours=2), due=NOW + timedelta(hours=3)),
        chamber("a", alarms=(alarm("frequent_starts"),)),
    ]

    assert [each.instance for each, _ in in_order(chambers, now=NOW)] == ["b", "a"]


def test_one_freezer_serves_what_it_can_and_says_what_it_cannot() -> None:
    """12 packs a day: 12 lie ready, half a pack comes each hour; the third swap goes short."""
    chambers = [
        chamber("shelf", plan=(planned(2, 8), planned(14, 8))),
        chamber("loft", plan=(planned(6, 6), planned(40, 6))),
    ]

    budget = budget_of(chambers, packs_per_day=12.0, now=NOW)

    # 12 + 1 = 13 ready at 2 h, 8 go; 15 - 8 = 7 at 6 h, 6 go; 19 - 14 = 5 of 8 at 14 h
    assert budget.wanted == 22
    assert budget.frozen == 24.0
    assert budget.by_chamber == (("shelf", 16), ("loft", 6))
    assert budget.without == (("shelf", NOW + timedelta(hours=14), 3),)
    assert budget.keeps_up is False
    words = budget_words(budget, now=NOW)
    assert "22 packs are planned within 24 hours" in words
    assert "3 are missing, the first 3 for shelf at Wed 04:00" in words


def test_one_pack_is_a_singular() -> None:
    """Where it is planned, and where it is missing."""
    one = [chamber("shelf", plan=(planned(2, 1),))]

    keeps = budget_words(budget_of(one, packs_per_day=12.0, now=NOW), now=NOW)
    lacks = budget_words(budget_of(one, packs_per_day=0.5, now=NOW), now=NOW)

    assert keeps.startswith("1 pack is planned within 24 hours;")
    assert "1 is missing, the first 1 for shelf" in lacks


def test_a_freezer_that_keeps_up_is_reported_too() -> None:
    """And no plan is no trouble."""
    keeps = budget_of([chamber("shelf", plan=(planned(2, 8),))], packs_per_day=12.0, now=NOW)

    assert keeps.keeps_up
    assert "keeps up" in budget_words(keeps, now=NOW)
    none = budget_of([chamber("shelf")], packs_per_day=12.0, now=NOW, hours=48.0)
    assert budget_words(none, now=NOW) == "No pack change is planned within 48 hours."


def test_packs_of_a_chamber_without_a_forecast_are_not_counted_as_none() -> None:
    """Unknown is never good news: neither "no pack change" nor "the freezer keeps up"."""
    new = [chamber(name, known=False, early=None, due=None) for name in ("cellar", "loft", "attic")]

    alone = budget_of(new[:1], packs_per_day=12.0, now=NOW)
    beside = budget_of([*new, chamber("shelf", plan=(planned(2, 8),))], packs_per_day=12.0, now=NOW)
    short = budget_of([*new, chamber("shelf", plan=(planned(2, 99),))], packs_per_day=1.0, now=NOW)

    assert alone.keeps_up is None
    assert budget_words(alone, now=NOW) == (
        "How many packs cellar needs within 24 hours is not known."
    )
    assert beside.keeps_up is None
    assert budget_words(beside, now=NOW) == (
        "8 packs are planned within 24 hours; the freezer, which has 24 until then, keeps up. "
        "How many packs cellar, loft and attic need within 24 hours is not known."
    )
    assert short.keeps_up is False


def test_documents_that_are_not_ours_are_not_known() -> None:
    """A broker may hold anything."""
    head = {
        "instance": "c",
        "machine": "0123abcd",
        "mode": "live",
        "chamber": "c",
        "sent": NOW.isoformat(),
    }
    wrong: list[tuple[str, object]] = [
        ("state", 3), ("forecast", []), ("present", "x"),
        ("state", {**head, "silent": False, "age_s": 1.0, "status": {"probes": 7, "alarms": 3}}),
        ("forecast", {**head, "forecast": {"plan": [{"at": "soon"}, 4], "early": "x"}}),
        ("other", {}),
    ]  # fmt: skip
    others: dict[str, Retained] = {}

    for what, document in wrong:
        receive(others, f"coldpin/c/0123abcd/{what}", json.dumps(document).encode())

    assert others == {}


def test_a_lookout_that_has_gone_makes_its_chamber_silent() -> None:
    """The last will says so, whatever the retained state was."""
    messages = Messages(
        Identity(instance="shelf", machine="0123abcd", mode=RunMode.LIVE),
        chamber="hall shelf",
        zone=UTC,
    )
    others: dict[str, Retained] = {}
    receive(others, "coldpin/shelf/0123abcd/state", messages.state(snapshot()))
    assert not chambers_of_broker(others, now=NOW)[0].silent
    receive(others, "coldpin/shelf/0123abcd/present", messages.present(NOW, present=False))

    (listed,) = chambers_of_broker(others, now=NOW)

    assert listed.silent
    assert listed.air_c is None
    assert listed.name == "hall shelf"


def test_chambers_of_a_machine_are_found_by_their_state(tmp_path: Path) -> None:
    """Two instances and a folder that is none; the runtime folder comes first."""
    state, run = tmp_path / "state", tmp_path / "run"
    for name in ("shelf", "loft", "lost+found"):
        (state / name).mkdir(parents=True)
    (run / "loft").mkdir(parents=True)
    put_status(state / "shelf", status(chamber="hall shelf", alarms=[alarm("air_high")]))
    put_status(state / "loft", status(chamber="old", boottime_s=1.0))
    put_status(run / "loft", status(chamber="loft"))
    (state / "loft" / PAGE).write_text(json.dumps({"port": 8428}), encoding="utf-8")
    write_forecast(
        state / "loft",
        PublishedForecast(
            as_of=NOW,
            basis="learned",
            swap_due=NOW + timedelta(hours=6),
            early=NOW + timedelta(hours=5),
            plan=(planned(4, 4),),
        ),
    )

    listed = {each.instance: each for each in chambers_below(state, run=run, now=NOW)}

    assert set(listed) == {"shelf", "loft"}
    assert listed["shelf"].alarms == (alarm("air_high"),)
    assert listed["loft"].name == "loft"
    assert not listed["loft"].silent
    assert listed["loft"].port == 8428
    assert listed["loft"].plan == (planned(4, 4),)
    rows = rows_of(listed.values(), now=NOW, zone=UTC, unit="C")
    assert [row.instance for row in rows] == ["shelf", "loft"]
    assert rows[0].state == "alarm"
    assert "Air too warm" in rows[0].alarms
    assert rows[1].swap.startswith("Change 4 packs by 18:00. The cold should last until 19:00.")


def test_the_list_says_what_the_chambers_own_page_says() -> None:
    """The time to act, and not the most likely end of the cold hours later."""
    made = forecast(NOW + timedelta(hours=5))
    listed = chamber_of("shelf", silent=False, status=status(), forecast=made)

    (row,) = rows_of([listed], now=NOW, zone=UTC, unit="C")

    told = next_change(made, None, NOW)
    assert row.swap == f"{told.do} {told.lasts.partition(', most likely')[0]}."
    assert told.do == "Change 4 packs by 18:30."


@pytest.mark.parametrize(("hours", "silent"), [(1.5, False), (2.5, True)])
def test_what_a_broker_has_kept_for_long_says_nothing(hours: float, silent: bool) -> None:
    """After a restart of the broker nobody publishes the last will of a machine that is off."""
    messages = Messages(
        Identity(instance="shelf", machine="0123abcd", mode=RunMode.LIVE),
        chamber="hall shelf",
        zone=UTC,
    )
    others: dict[str, Retained] = {}
    shown = snapshot(forecast=forecast(NOW + timedelta(hours=5)))
    receive(others, "coldpin/shelf/0123abcd/state", messages.state(shown))
    receive(others, "coldpin/shelf/0123abcd/forecast", messages.forecast(shown))

    (listed,) = chambers_of_broker(others, now=NOW + timedelta(hours=hours))

    assert (listed.silent, listed.known) == (silent, not silent)
    assert (listed.air_c, listed.plan == ()) == ((None, True) if silent else (16.2, False))


def test_a_silent_chamber_shows_no_old_reading() -> None:
    """Its last reading is not how it is."""
    listed = chamber_of("shelf", silent=True, status=status(), forecast=None)

    assert (listed.air_c, listed.reservoir_c, listed.phase) == (None, None, "")
