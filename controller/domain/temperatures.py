"""Values that control, physics and the edge share.

Temperatures that control compares are whole millidegrees Celsius (suffix ``_mc``; differences
``_mk``), so that one physical temperature decides the same by every path and in every unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

PROBE_STEP_MK = 62.5
"""Step of a 12-bit DS18B20, 1/16 K, in millikelvin. Source: DS18B20 data sheet, table 1."""


def millidegrees(temp_c: float) -> int:
    """Put a temperature or difference on the grid on which control compares.

    The nearest whole millidegree wins and a tie goes toward zero. For every multiple of 1/16 K
    this is what the Linux kernel prints in its ``t=`` text, which truncates toward zero, and it
    forgives the last bits of a float: 64.4 °F is 18.000000000000004 °C and becomes 18000.

    Args:
        temp_c: Temperature [°C] or difference [K].

    Raises:
        ValueError: *temp_c* is not finite: such a value must never reach a comparison.

    Source:
        Linux 6.12 w1_therm.c (``raw * 1000 / 16`` in integers); the tie rule is ours.
    """
    if not math.isfinite(temp_c):
        raise ValueError(f"a temperature must be a finite number, found {temp_c}")
    size = math.ceil(abs(temp_c) * 1000 - 0.5)
    return -size if temp_c < 0 else size


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading that can be trusted."""

    value_mc: int
    """Temperature [m°C], with the probe's own offset applied."""


@dataclass(frozen=True, slots=True)
class Lost:
    """No reading can be trusted, and why."""

    reason: str


Reading = Seen | Lost
