"""The comparison with a plain switch is said in the unit that people chose."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.cli.rehearsal_comparison import difference
from controller.rehearsal.comparison import Outcome

PLAIN = Outcome(
    in_band_share=0.94, above_k_h=8.5, below_k_h=0.8, over_1k_h=4.0, warm_spells=2,
    warned_in_time=2, packs_used=40, starts=364, shortest_run_s=120.0, shortest_rest_s=220.0,
)  # fmt: skip
ALONE = replace(PLAIN, above_k_h=9.8, starts=360)
NOTIFIED = replace(PLAIN, above_k_h=0.4, starts=427)


@pytest.mark.parametrize(
    ("unit", "says"),
    [
        ("C", ["is 0.4 K·h too warm instead of 8.5 K·h", "alone: 9.8 K·h, more than the switch"]),
        ("F", ["is 0.7 °F·h too warm instead of 15.3 °F·h", "alone: 17.6 °F·h, more than"]),
    ],
)
def test_degree_hours_are_in_the_units_of_the_person(unit: str, says: list[str]) -> None:
    """A degree-hour in Fahrenheit is 5/9 of a kelvin-hour."""
    text = difference(unit=unit, plain=PLAIN, alone=ALONE, notified=NOTIFIED)

    for part in says:
        assert part in text


def test_a_forecast_that_saves_nothing_is_not_praised() -> None:
    """Within a tenth of the plain switch there is no gain to speak of."""
    text = difference(unit="C", plain=PLAIN, alone=PLAIN, notified=replace(PLAIN, above_k_h=8.2))

    assert text.startswith("The forecast does not save these days: 8.2 K·h too warm, 8.5 K·h")
    assert "the control alone changes little" in text


@pytest.mark.parametrize(("above_k_h", "in_band"), [(0.99, True), (1.0, False)])
def test_from_a_degree_hour_on_the_air_is_said_to_be_too_warm(
    above_k_h: float, in_band: bool
) -> None:
    """Under whichever of the three it was most."""
    good = replace(PLAIN, above_k_h=0.2)

    text = difference(unit="C", plain=good, alone=replace(good, above_k_h=above_k_h), notified=good)

    assert ("stays in band under all three" in text) is in_band
