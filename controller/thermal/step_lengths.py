"""How long a step of the plant may be, and what the humidifier gives where one crosses its end."""

from __future__ import annotations

LONGEST_STEP_S = 120.0
"""A longer step is cut into equal parts no longer than this [s]."""
STEPS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0, 90.0, 120.0)
"""Lengths to which a step is cut: few, because tables are kept for each."""
MIST_STEP = 0.5
"""No step in which the humidifier reaches an end of its band or leaves one is longer than it needs
to cross its band this many times [-]: with a strong one in a small chamber longer steps swing
between all and nothing, with the air's temperature."""
COOLING_RISE_K, COOLING_RISE_RATIO = 0.6, 0.0004
"""While cooling, the air's mean over a step lies no further than this from where it begins [K,
kg/kg], so that the plane of the coil fits."""
SHORTEST_S = 1e-6
"""What is left of a step below this is rounding [s]."""
SURE_COOLING_S = 5.0
"""Steps this short are taken all the same [s]."""


def shorter_s(dt_s: float, wanted_s: float) -> float:
    """Return a length of step that is not above *wanted_s* and below *dt_s* [s]."""
    for length_s in reversed(STEPS_S):
        if length_s <= wanted_s and length_s < dt_s:
            return length_s
    return min(wanted_s, 0.5 * dt_s)


def clipped_mean(first: float, last: float, highest: float) -> float:
    """Return the mean of a value clipped to 0 to *highest* while it runs from *first* to *last*."""
    if first == last:
        return min(max(first, 0.0), highest)

    def area(value: float) -> float:
        inside = min(max(value, 0.0), highest)
        return 0.5 * inside * inside + highest * max(0.0, value - highest)

    return (area(last) - area(first)) / (last - first)
