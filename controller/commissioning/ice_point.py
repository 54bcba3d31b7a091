"""Judge a probe in an ice bath: the offset it needs, how sure that is, or why the bath will not do.

A bath of wet shaved ice is at 0.000 °C by nature, so what the probe shows there is its error. One
point corrects the offset only; an error of slope stays.

Source:
    Ice point and method: MSL Technical Guide 1 (2019), ASTM E563-11. Combination of uncertainties:
    root of the sum of squares, with half-widths over √3 for rectangular ones (GUM). The limits on
    drift, spread and size are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.domain.temperatures import PROBE_STEP_MK

WINDOW_S = 180.0
"""How long the readings must have been steady."""
LEAST_READINGS = 20
DRIFT_MK_MIN = 15.0
"""A bath that still changes faster has not settled: less than a step within the window [mK/min]."""
SPREAD_MK = 250.0
"""Four steps of the probe: more means that it is not held by the ice."""
LARGEST_OFFSET_MK = 2000.0
"""A probe that is further off is not a DS18B20 in order, or the bath is not ice."""
BATH_MK = 10.0
"""How far a careful household bath may be from 0 °C [mK], taken as rectangular."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IcePoint:
    """What a steady bath tells about a probe."""

    offset_mk: int
    """To be added to every reading; rounded to 10 mK."""
    uncertainty_mk: float
    """Standard uncertainty of the offset, k = 1."""
    drift_mk_min: float
    spread_mk: float
    readings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NotYet:
    """Why no offset can be given, and whether waiting may help."""

    reason: str
    hopeless: bool = False


def judge_bath(readings: Sequence[tuple[float, int]]) -> IcePoint | NotYet:
    """Return the ice point that the readings show, or why they show none.

    Args:
        readings: Instant [s] and value [m°C] of each good reading, oldest first, without offset.
    """
    if not readings:
        return NotYet(reason="no reading yet")
    ends = readings[-1][0]
    recent = [(at, value) for at, value in readings if at > ends - WINDOW_S]
    lasted_s = recent[-1][0] - readings[0][0]
    if len(recent) < LEAST_READINGS or lasted_s < WINDOW_S * 0.95:
        return NotYet(reason=f"{lasted_s:.0f} s of readings, {WINDOW_S:.0f} s are needed")
    values = [value for _, value in recent]
    mean_mk = math.fsum(values) / len(values)
    spread_mk = float(max(values) - min(values))
    drift_mk_min = _slope(recent) * 60
    if abs(drift_mk_min) > DRIFT_MK_MIN:
        return NotYet(reason=f"still drifting by {drift_mk_min / 1000:+.2f} K a minute")
    if abs(mean_mk) > LARGEST_OFFSET_MK:
        return NotYet(
            reason=f"steady at {mean_mk / 1000:+.2f} °C, which is no ice bath, or no sound probe: "
            "pack wet crushed ice round it, or take another probe",
            hopeless=True,
        )
    if spread_mk > SPREAD_MK:
        return NotYet(
            reason=f"readings spread over {spread_mk / 1000:.2f} K: pack the ice closer round it"
        )
    return IcePoint(
        offset_mk=round(-mean_mk / 10) * 10,
        uncertainty_mk=_uncertainty_mk(values, mean_mk),
        drift_mk_min=drift_mk_min,
        spread_mk=spread_mk,
        readings=len(recent),
    )


def _slope(readings: Sequence[tuple[float, int]]) -> float:
    """Return the least-squares slope [mK/s]."""
    mean_at = math.fsum(at for at, _ in readings) / len(readings)
    mean_value = math.fsum(value for _, value in readings) / len(readings)
    over = math.fsum((at - mean_at) * (value - mean_value) for at, value in readings)
    return over / math.fsum((at - mean_at) ** 2 for at, _ in readings)


def _uncertainty_mk(values: Sequence[int], mean_mk: float) -> float:
    """Combine the probe's step, the bath, and how well the readings repeat [mK]."""
    repeat_mk = math.sqrt(math.fsum((value - mean_mk) ** 2 for value in values) / len(values))
    return math.hypot(PROBE_STEP_MK / math.sqrt(12), BATH_MK / math.sqrt(3), repeat_mk)
