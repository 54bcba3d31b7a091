"""Quantities as people write them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.units import (
    celsius_text,
    fahrenheit_to_celsius,
    parse_current,
    parse_difference,
    parse_duration,
    parse_temperature,
)


@pytest.mark.parametrize(
    ("temp_f", "temp_c"),
    [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (98.6, 37.0), (68.0, 20.0), (0.0, -160 / 9)],
)
def test_fahrenheit_meets_the_fixed_points(temp_f: float, temp_c: float) -> None:
    """Source: NIST SP 811 (2008), appendix B.8, t/°C = (t/°F - 32)/1.8; ice and steam points."""
    assert fahrenheit_to_celsius(temp_f) == pytest.approx(temp_c, abs=1e-12)


@pytest.mark.parametrize(
    ("given_text", "value_mc"),
    [
        ("15.5 C", 15_500),
        ("15.5 °C", 15_500),
        ("60F", 15_556),
        (" 62.6 °F ", 17_000),
        ("-2 C", -2000),
        (".5 C", 500),
    ],
)
def test_temperatures(given_text: str, value_mc: int) -> None:
    """°C and °F, with or without a space and a degree sign, on the grid of control."""
    assert parse_temperature(given_text) == value_mc


@pytest.mark.parametrize(
    ("given_text", "value_mk"), [("0.5 K", 500), ("0.5 C", 500), ("1.8 F", 1000), ("-1 K", -1000)]
)
def test_differences(given_text: str, value_mk: int) -> None:
    """A difference in °F has no zero to take off: 1.8 °F are one kelvin."""
    assert parse_difference(given_text) == value_mk


@pytest.mark.parametrize(
    ("given_text", "seconds"),
    [("5 s", 5), ("3 min", 180), ("2 h", 7200), ("1 d", 86_400), ("1 h 30 min", 5400), ("0 s", 0)],
)
def test_durations(given_text: str, seconds: float) -> None:
    """Seconds, minutes, hours, days, and sums of them."""
    assert parse_duration(given_text) == seconds


@pytest.mark.parametrize(
    ("given_text", "amperes"), [("0.8 A", 0.8), ("800 mA", 0.8), ("1 mA", 0.001), ("200 A", 200.0)]
)
def test_currents(given_text: str, amperes: float) -> None:
    """Amperes and milliamperes, both ends of what a load or contact has included."""
    assert parse_current(given_text) == amperes


@pytest.mark.parametrize(
    ("parse", "given_text", "allowed"),
    [
        pytest.param(parse_temperature, "15.5", "such as", id="no-unit"),
        pytest.param(parse_temperature, 15.5, "as text with its unit", id="no-text"),
        pytest.param(parse_temperature, "288 K", "kelvin is for differences only", id="kelvin"),
        pytest.param(parse_temperature, "15,5 C", 'write "15.5 C"', id="comma"),
        pytest.param(parse_temperature, "15 C 16 C", "one temperature", id="two"),
        pytest.param(parse_temperature, "15 X", "the units C or F", id="other-unit"),
        pytest.param(parse_difference, "1 R", "the units K, C or F", id="difference"),
        pytest.param(parse_duration, "3", "such as", id="bare-duration"),
        pytest.param(parse_duration, "3 hours", "the units s, min, h, d", id="long-unit"),
        pytest.param(parse_duration, "-3 s", "zero or more", id="negative"),
        pytest.param(parse_duration, "1 h and a bit", "such as", id="words"),
        pytest.param(parse_current, "5 W", "the units A or mA", id="watts"),
        pytest.param(parse_current, "0.9 mA", "1 mA to 200 A", id="too-small"),
        pytest.param(parse_current, "201 A", "1 mA to 200 A", id="too-large"),
    ],
)
def test_what_is_refused_says_what_is_allowed(
    parse: Callable[[object], float], given_text: object, allowed: str
) -> None:
    """The message says what may be written; whoever reports it names what was found."""
    with pytest.raises(ValueError, match="allowed: ") as refused:
        parse(given_text)

    assert allowed in str(refused.value)


@given(st.integers(-20_000, 60_000))
def test_a_message_shows_one_temperature_in_both_units(value_mc: int) -> None:
    """Both figures of the text, read again, are the temperature, °F to its tenth."""
    celsius, fahrenheit = celsius_text(value_mc).removesuffix(")").split(" (")

    assert float(celsius.removesuffix(" °C")) == pytest.approx(value_mc / 1000)
    assert abs(parse_temperature(fahrenheit) - value_mc) <= 29
