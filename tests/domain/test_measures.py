"""Lengths, volumes and weights as people write them. Factors: NIST Handbook 44, appendix C."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from scipy import constants

from controller.domain import measures

LITRE, GALLON, FT3 = constants.liter, constants.gallon, constants.foot**3
SPELLINGS: tuple[tuple[Mapping[str, float], float, dict[float, str]], ...] = (
    (
        measures.LENGTHS_M,
        1.0,
        {
            1e-3: "mm",
            1e-2: "cm",
            1.0: "m",
            constants.inch: 'in|inch|inches|"',
            constants.foot: "ft|foot|feet|'",
        },
    ),
    (
        measures.VOLUMES_L,
        LITRE,
        {
            LITRE: "l|litre|litres|liter|liters",
            1.0: "m3|m³",
            GALLON / 4.0: "qt|quart|quarts",
            GALLON: "gal|gallon|gallons",
            FT3: "ft3|ft³|cu ft|cubic feet",
        },
    ),
    (
        measures.WEIGHTS_KG,
        1.0,
        {1e-3: "g", 1.0: "kg", constants.pound: "lb|lbs|pound|pounds", constants.ounce: "oz"},
    ),
    (measures.AREAS_M2, 1.0, {1.0: "m2|m²", constants.foot**2: "ft2|ft²"}),
    (measures.POWERS_W, 1.0, {1.0: "w|watt|watts", 1e3: "kw"}),
    (
        measures.FLOWS_L_H,
        LITRE / constants.hour,
        {
            LITRE / constants.hour: "l/h|lph",
            GALLON / constants.hour: "gph|gal/h",
            LITRE / constants.minute: "l/min",
            GALLON / constants.minute: "gpm|gal/min",
        },
    ),
    (
        measures.AIR_FLOWS_M3_H,
        1.0 / constants.hour,
        {1.0 / constants.hour: "m3/h|m³/h", FT3 / constants.minute: "cfm|ft3/min|ft³/min"},
    ),
)


@pytest.mark.parametrize(("table", "ours", "spellings"), SPELLINGS)
def test_every_spelling_of_a_unit_is_that_unit(
    table: Mapping[str, float], ours: float, spellings: dict[float, str]
) -> None:
    """Against scipy.constants, in SI; every spelling that is read stands in one of these rows."""
    expected = {each: si / ours for si, names in spellings.items() for each in names.split("|")}

    assert table == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "units", "ours"),
    [
        ("20 qt", measures.VOLUMES_L, 18.927),
        ("5 gal", measures.VOLUMES_L, 18.927),
        ("7 cu ft", measures.VOLUMES_L, 198.22),
        ("45L", measures.VOLUMES_L, 45.0),
        ("12 lb", measures.WEIGHTS_KG, 5.4431),
        (".5 kg", measures.WEIGHTS_KG, 0.5),
        ("65 gph", measures.FLOWS_L_H, 246.05),
        ("1.5 in", measures.LENGTHS_M, 0.0381),
    ],
)
def test_a_quantity_is_read_in_its_unit(text: str, units: dict[str, float], ours: float) -> None:
    assert measures.parse_quantity(text, units, example="1 x") == pytest.approx(ours, rel=1e-4)


@pytest.mark.parametrize("text", ["", "20", "qt", "20 stone", "1 2 qt", "-3 qt", "nan qt"])
def test_what_is_no_volume_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"^allowed: "):
        measures.parse_quantity(text, measures.VOLUMES_L, example="20 qt")


@pytest.mark.parametrize(
    ("text", "size_m"),
    [
        ("2 ft x 2 ft x 4 ft", (0.6096, 0.6096, 1.2192)),
        ("2x2x4 ft", (0.6096, 0.6096, 1.2192)),
        ("60 x 60 × 140 cm", (0.6, 0.6, 1.4)),
        ("24 in by 2 ft by 1 m", (0.6096, 0.6096, 1.0)),
    ],
)
def test_a_size_is_three_lengths(text: str, size_m: tuple[float, float, float]) -> None:
    assert measures.parse_size(text) == pytest.approx(size_m)


@pytest.mark.parametrize("text", ["2 x 2", "2 x 2 x 4", "0 x 2 x 4 ft", "2 ft x 2 ft x 4 qt", "x"])
def test_what_is_no_size_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="three lengths"):
        measures.parse_size(text)


def test_a_box_has_six_sides() -> None:
    """A tent of 60 × 60 × 140 cm: 4.08 m² and 0.504 m³, worked by hand."""
    size_m = (0.6, 0.6, 1.4)

    assert measures.box_area_m2(size_m) == pytest.approx(4.08)
    assert measures.box_volume_m3(size_m) == pytest.approx(0.504)


def test_what_is_shown_follows_the_unit_of_temperature() -> None:
    assert measures.weight_text(10.0, "F") == "22 lb"
    assert measures.weight_text(10.0, "C") == "10 kg"
    assert measures.volume_text(45.4, "F") == "48 qt"
    assert measures.size_text((0.6096, 0.6096, 1.2192), "F") == "2 ft x 2 ft x 4 ft"
    assert measures.difference_text(1.5, "F") == "2.7 °F"
    assert measures.degree_hours_text(2.0, "F") == "3.6 °F·h"
