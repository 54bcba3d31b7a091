"""What every value with a time in it promises: its instants are aware, its numbers finite."""

from __future__ import annotations

from datetime import UTC, datetime

FINITE = {"allow_inf_nan": False}
"""Reading rule of a value's codec, put into its ``__pydantic_config__``: no NaN, no infinity."""


def require_aware(*instants: datetime | None) -> None:
    """Refuse an instant without a UTC offset, or one that no calendar holds in UTC.

    Raises:
        ValueError: There is such a one.
    """
    for at in instants:
        if at is None:
            continue
        if at.tzinfo is None:
            raise ValueError(f"found {at.isoformat()}, allowed: a time with its UTC offset")
        try:
            at.astimezone(UTC)
        except OverflowError:
            raise ValueError(f"found {at.isoformat()}, allowed: the years 1 to 9999") from None
