"""The forecast that travels: what is left of a set, and whether packs are due."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from controller.domain.published_forecast import PublishedForecast
from controller.domain.requests import LogSwap
from tests.lookout.houses import NOW, forecast

HOUR = timedelta(hours=1)


@pytest.mark.parametrize(
    ("reserve_kj", "taken_up_kj", "share"),
    [
        pytest.param(300.0, 100.0, 0.75, id="most-is-left"),
        pytest.param(300.0, 0.0, 1.0, id="fresh"),
        pytest.param(0.0, 400.0, 0.0, id="spent"),
        pytest.param(0.0, 0.0, 0.0, id="nothing-was-there"),
        pytest.param(None, 100.0, None, id="reserve-not-known"),
        pytest.param(300.0, None, None, id="heat-not-known"),
    ],
)
def test_the_share_that_is_left(
    reserve_kj: float | None, taken_up_kj: float | None, share: float | None
) -> None:
    """Of reserve and heat taken up together; what is not known gives no share."""
    told = forecast(NOW + HOUR, reserve_kj=reserve_kj, taken_up_kj=taken_up_kj)

    assert told.reserve_share == share


@pytest.mark.parametrize(
    ("early_in", "lead", "due"),
    [
        pytest.param(3 * HOUR, 2 * HOUR, False, id="hours-left"),
        pytest.param(2 * HOUR, 2 * HOUR, True, id="just-due"),
        pytest.param(-HOUR, 0 * HOUR, True, id="over"),
        pytest.param(None, 2 * HOUR, False, id="no-end-in-sight"),
    ],
)
def test_packs_are_due_a_lead_before_the_early_bound(
    early_in: timedelta | None, lead: timedelta, due: bool
) -> None:
    early = None if early_in is None else NOW + early_in
    told = replace(forecast(NOW + HOUR), early=early)

    assert told.is_due(NOW, lead) is due


def test_where_nothing_is_known_nothing_is_due() -> None:
    """Nor is it not due: nobody knows."""
    unknown = PublishedForecast(as_of=NOW)

    assert not unknown.known
    assert unknown.is_due(NOW, HOUR) is None
    assert unknown.reserve_share is None


def test_an_instant_without_a_zone_is_refused() -> None:
    """It would be another instant on the next machine."""
    naive = datetime(2026, 7, 14, 14)  # noqa: DTZ001 - what is to be refused

    with pytest.raises(ValueError, match="UTC offset"):
        PublishedForecast(as_of=NOW, swap_due=naive)
    with pytest.raises(ValueError, match="UTC offset"):
        LogSwap(packs=4, at=naive)
