"""Rule 1: the call for cooling, and rule 5: whether the reservoir can serve it."""

from __future__ import annotations

from controller.core.law import Band
from controller.domain.temperatures import Lost, Reading


def call_for(air: Reading, band: Band, *, was: bool) -> bool:
    """Return whether the air calls for cooling.

    Set at or above cut-in, cleared at or below cut-out, unchanged between and while the reading
    is lost.
    """
    if isinstance(air, Lost):
        return was
    if air.value_mc >= band.cut_in_mc:
        return True
    if air.value_mc <= band.cut_out_mc:
        return False
    return was


def cold_enough(reservoir: Reading, *, below_mc: int, margin_mk: int) -> bool | None:
    """Return whether the reservoir is colder than *below_mc* by the margin; None when lost."""
    if isinstance(reservoir, Lost):
        return None
    return reservoir.value_mc <= below_mc - margin_mk
