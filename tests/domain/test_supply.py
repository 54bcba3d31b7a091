"""One grammar of supplies: what is good for a load is good for a relay module."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from controller.domain.supply import Supply
from controller.settings.relay_modules import RatingRecord


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("12 V DC", "12 V DC"),
        ("12 v dc", "12 V DC"),
        ("12VDC", "12 V DC"),
        ("  230 V  AC ", "230 V AC"),
        ("1500 V DC", "1500 V DC"),
        ("1001 V AC", None),
        ("0 V DC", None),
        ("12 V", None),
        ("12,5 V DC", None),
        ("\u0661\u0662 V DC", None),
    ],
)
def test_a_load_and_a_relay_module_read_a_supply_alike(text: str, means: str | None) -> None:
    """`12 v dc` was good for a load and refused for a module."""
    rating = {"load_kind": "motor", "supply": text, "current": "1 A"}
    if means is None:
        with pytest.raises(ValueError, match="allowed"):
            Supply.parse(text)
        with pytest.raises(ValidationError):
            RatingRecord.model_validate(rating)
    else:
        assert str(Supply.parse(text)) == means
        assert RatingRecord.model_validate(rating).supply == means
