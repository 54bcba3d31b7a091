"""Effectiveness of heat exchangers against number of transfer units and capacity ratio.

``ntu`` is conductance over the smaller capacity rate, ``ratio`` the smaller over the larger rate.
Source: Kays and London, *Compact Heat Exchangers*; Incropera, 7th ed., table 11.3.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from controller.errors import PhysicsError


def _checked(ntu: float, ratio: float) -> None:
    if not (0.0 <= ntu < math.inf and 0.0 <= ratio <= 1.0):
        raise PhysicsError(
            f"heat exchanger: {ntu} transfer units must be 0 or more and the capacity ratio"
            f" {ratio} between 0 and 1"
        )


def counterflow_ntu(*, effectiveness: float, ratio: float) -> float:
    """Return the transfer units of a counterflow exchanger with this effectiveness [-].

    Raises:
        PhysicsError: The effectiveness is not below 1 or is negative.
    """
    if not 0.0 <= effectiveness < 1.0:
        raise PhysicsError(f"effectiveness {effectiveness} must lie between 0 and 1")
    _checked(0.0, ratio)
    return units_of_effectiveness(effectiveness, ratio)


def crossflow_unmixed(*, ntu: float, ratio: float) -> float:
    """Return the exact effectiveness of a cross-flow exchanger with both streams unmixed [-].

    The infinite series of Mason (1955), cut where its terms vanish; 0.54749 at 1 and 0.5.

    Raises:
        PhysicsError: A negative ``ntu`` or a ``ratio`` outside 0 to 1.
    """
    _checked(ntu, ratio)
    if ntu < 1e-9:
        return ntu
    if ratio * ntu < 1e-9:
        return -math.expm1(-ntu)
    ntu = min(ntu, 500.0)  # exp underflows beyond; the effectiveness has long met its limit
    hot, cold = ntu, ratio * ntu
    hot_term, cold_term = math.exp(-hot), math.exp(-cold)
    hot_left, cold_left = 1.0 - hot_term, 1.0 - cold_term
    total, order = hot_left * cold_left, 0
    while True:
        order += 1
        hot_term *= hot / order
        cold_term *= cold / order
        hot_left -= hot_term
        cold_left -= cold_term
        term = hot_left * cold_left
        if order > cold and term < 1e-13 * total:
            return min(1.0, total / cold)
        total += term


def counterflow_effectiveness(units: float, rate: float) -> float:
    """Return the share of the inlet difference by which one stream changes in counterflow [-].

    *units* and *rate* are counted on that stream (its own capacity rate first), so *rate* may
    exceed 1; then the other stream is the smaller one.
    """
    gap = (1.0 - rate) * units
    if abs(gap) < 1e-9:
        return units / (1.0 + units)
    if gap < -700.0:
        return 1.0 / rate
    lost = math.exp(-gap)
    return (1.0 - lost) / (1.0 - rate * lost)


def units_of_effectiveness(share: float, rate: float) -> float:
    """Return the transfer units [-] of a *share*, the inverse of `counterflow_effectiveness`."""
    if abs(1.0 - rate) < 1e-9:
        return share / (1.0 - share)
    return math.log((1.0 - share * rate) / (1.0 - share)) / (1.0 - rate)


def bracketed_root(of: Callable[[float], float], *, low: float, high: float) -> float:
    """Return where *of* crosses zero between *low* and *high*, by false position (Illinois).

    The ends may be given by formulas that meet *of* only up to rounding: an end on the wrong
    side by a hair is itself the answer.
    """
    at_low, at_high = of(low), of(high)
    if at_low <= 0.0:
        return low
    if at_high >= 0.0:
        return high
    side = 0
    for _ in range(200):
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at_middle = of(middle)
        if abs(at_middle) < 1e-12 or high - low < 1e-13:
            return middle
        if at_middle > 0.0:
            low, at_low = middle, at_middle
            at_high *= 0.5 if side > 0 else 1.0
            side = 1
        else:
            high, at_high = middle, at_middle
            at_low *= 0.5 if side < 0 else 1.0
            side = -1
    return 0.5 * (low + high)
