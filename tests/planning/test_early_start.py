"""When an early start is offered, when it is to be left out, and in which words."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from controller.planning.build import Build
from controller.planning.early_start import (
    ICE_TO_SPARE,
    EarlyStart,
    early_start,
    early_start_sentence,
)
from controller.settings.load import Settings
from tests.cli.made_up import DAYS, settings_in

CUT_IN_C = 17.0
"""The highest of the example's, which has another one at night."""
LIMIT_KG = Build(settings=settings_in(), plant=settings_in().plant_spec()).limit_kg_per_day()
HELD = replace(
    DAYS,
    degree_hours_above=1.0,
    degree_hours_below=1.0,
    air_max_c=CUT_IN_C + 0.2,
    ice_melted_kg=0.5 * LIMIT_KG * DAYS.days,
)


def build(settings: Settings | None = None, **timing: Any) -> Build:
    settings = settings_in() if settings is None else settings
    timed = settings.timing.model_copy(update=timing)
    return Build(
        settings=settings.model_copy(update={"timing": timed}), plant=settings.plant_spec()
    )


def with_ice(share_of_limit: float) -> Any:
    return replace(HELD, ice_melted_kg=share_of_limit * LIMIT_KG * HELD.days)


def with_busiest_hour(duty: float) -> Any:
    return replace(HELD, cycles=(*HELD.cycles[:-1], replace(HELD.cycles[-1], duty=duty)))


def test_it_is_offered_where_starts_overshoot_and_cold_is_to_spare() -> None:
    assert early_start(build(), HELD) is EarlyStart.OFFER
    assert early_start(build(), with_ice(0.99 / ICE_TO_SPARE)) is EarlyStart.OFFER
    assert early_start(build(), with_busiest_hour(0.97)) is EarlyStart.OFFER


@pytest.mark.parametrize(
    "days",
    [
        pytest.param(replace(HELD, air_max_c=CUT_IN_C + 0.09), id="no-overshoot"),
        pytest.param(with_ice(1.01 / ICE_TO_SPARE), id="the-freezer-just-keeps-up"),
        pytest.param(with_busiest_hour(1.0), id="an-hour-without-a-rest"),
        pytest.param(replace(HELD, degree_hours_above=0.49 * HELD.days), id="too-warm"),
    ],
)
def test_it_is_not_offered_elsewhere(days: Any) -> None:
    assert early_start(build(), days) is None
    assert early_start_sentence(build(), days) == ""


def test_days_that_fail_by_cold_air_alone_are_not_short_of_cold() -> None:
    """Air below cut-out takes no cold that a start could lack."""
    assert early_start(build(), replace(HELD, degree_hours_below=200.0)) is EarlyStart.OFFER


@pytest.mark.parametrize(
    "days",
    [
        pytest.param(with_ice(1.01), id="more-ice-than-the-freezer-gives"),
        pytest.param(replace(HELD, degree_hours_above=0.49 * HELD.days), id="too-warm"),
    ],
)
def test_it_is_to_be_left_out_where_cold_is_short(days: Any) -> None:
    assert early_start(build(start_early_by=55.0), days) is EarlyStart.LEAVE_OUT
    assert early_start_sentence(build(start_early_by=55.0), days).startswith(
        "take start_early_by out of [timing]"
    )


@pytest.mark.parametrize("share", [0.5, 0.99])
def test_one_that_is_set_stays_while_the_freezer_keeps_up(share: float) -> None:
    assert early_start(build(start_early_by=55.0), with_ice(share)) is None


def test_a_night_of_its_own_does_not_count_as_overshoot() -> None:
    """By day the air may be warmer than the cut-in of the night, which is not too warm then."""
    settings = settings_in()
    fruiting = settings.stages["fruiting"]
    assert fruiting.night is not None
    warm_night = fruiting.night.model_copy(update={"cut_in": fruiting.cut_in + 500})
    stages = {"fruiting": fruiting.model_copy(update={"night": warm_night})}
    assert early_start(build(settings.model_copy(update={"stages": stages})), HELD) is None
    no_night = {"fruiting": fruiting.model_copy(update={"night": None})}
    settings = settings.model_copy(update={"stages": no_night})
    assert early_start(build(settings), HELD) is EarlyStart.OFFER


def test_the_offer_says_how_long_by_how_much_and_whether_the_crop_needs_it() -> None:
    """Prime and lag of the example's air probe are 10 and 45 s; king oyster bears 18 °C."""
    assert early_start_sentence(build(), HELD) == (
        "to hold the air closer to your cut_in (up to 0.2 °C above it on a hot day): "
        'start_early_by = "55 s" in [timing], for about an eighth more starts; inside the '
        "species' band the crop does not need it"
    )
    warmer = replace(HELD, air_max_c=18.5)
    assert early_start_sentence(build(settings_in("F"), prime=13.0), warmer) == (
        "to hold the air closer to your cut_in (up to 2.7 °F above it on a hot day): "
        'start_early_by = "60 s" in [timing], for about an eighth more starts'
    )
    settings = settings_in()
    nameless = settings.chamber.model_copy(update={"species": None})
    assert early_start_sentence(
        build(settings.model_copy(update={"chamber": nameless})), HELD
    ).endswith("more starts")
