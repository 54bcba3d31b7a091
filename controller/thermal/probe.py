"""What a probe makes of the true temperature: it lags, and it speaks in steps.

Apart from the plant on purpose: control must see the probe, the verdict must see the air.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from controller.errors import PhysicsError

PROBE_STEP_K = 0.0625
"""Step of a 12-bit DS18B20 [K]. Source: DS18B20 data sheet, table 1."""


def lagged_c(
    probe_c: float, *, before_c: float, after_c: float, dt_s: float, tau_s: float
) -> float:
    """Return the probe's temperature after a step in which the truth went straight from A to B.

    Exact for that course, whatever the length of the step. A steady ramp is read late by tau
    times its slope: 0.2 K/min with 120 s reads 0.40 K behind.

    Args:
        probe_c: The probe as the step began [°C].
        before_c: The truth as the step began [°C].
        after_c: The truth as the step ends [°C].
        dt_s: Length of the step [s], above 0.
        tau_s: Time constant of the probe [s]; 0: no lag.

    Raises:
        PhysicsError: ``dt_s`` is not above 0 or ``tau_s`` is negative.

    Source:
        First-order lag, tau = heat capacity over film conductance.
    """
    if not (0.0 < dt_s < math.inf and 0.0 <= tau_s < math.inf):
        raise PhysicsError(
            f"probe lag {tau_s} s over a step of {dt_s} s: the lag must be 0 or more, the step"
            " above 0"
        )
    if tau_s == 0.0:
        return after_c
    behind_k = tau_s * (after_c - before_c) / dt_s
    return after_c - behind_k + (probe_c - before_c + behind_k) * math.exp(-dt_s / tau_s)


class Course(NamedTuple):
    """A temperature over one step: where it begins, its mean, and where it ends.

    Between them it goes as the parabola that has all three, which over a step of the plant is
    nearer to the true course than any straight line.
    """

    dt_s: float
    before_c: float
    mean_c: float
    after_c: float

    def at(self, x: float) -> float:
        """Return the temperature *x* seconds after the step began [°C]."""
        a, b, c = self.parabola()
        return a + x * (b + c * x)

    def parabola(self) -> tuple[float, float, float]:
        """Return (a, b, c) of a + b·x + c·x² with x the seconds since the step began."""
        dt_s = self.dt_s
        rise_k = self.after_c - self.before_c
        bend_k = 3.0 * (rise_k - 2.0 * (self.mean_c - self.before_c))
        return self.before_c, (rise_k - bend_k) / dt_s, bend_k / (dt_s * dt_s)

    def extremes_c(self) -> tuple[float, float]:
        """Return the lowest and the highest temperature within the step [°C]."""
        before_c, after_c = self.before_c, self.after_c
        lowest_c, highest_c = (before_c, after_c) if before_c < after_c else (after_c, before_c)
        if lowest_c <= self.mean_c <= highest_c:
            third_k = (highest_c - lowest_c) / 3.0
            if lowest_c + third_k <= self.mean_c <= highest_c - third_k:
                return lowest_c, highest_c  # the parabola does not turn within the step
        a, b, c = self.parabola()
        turn_s = -b / (2.0 * c) if c else -1.0
        if 0.0 < turn_s < self.dt_s:
            turn_c = a + 0.5 * b * turn_s
            return min(lowest_c, turn_c), max(highest_c, turn_c)
        return lowest_c, highest_c

    def above_ks(self, limit_c: float) -> float:
        """Return the integral of what lies above a limit over the step [K·s]."""
        lowest_c, highest_c = self.extremes_c()
        if highest_c <= limit_c:
            return 0.0
        if lowest_c >= limit_c:
            return (self.mean_c - limit_c) * self.dt_s
        a, b, c = self.parabola()
        piece_s = self.dt_s / ABOVE_PIECES
        total_k = 0.0
        for piece in range(ABOVE_PIECES):
            x = (piece + 0.5) * piece_s
            total_k += max(0.0, a + x * (b + c * x) - limit_c)
        return total_k * piece_s

    def beyond_s(self, limit_c: float) -> float:
        """Return how long the temperature is above a limit within the step [s]."""
        lowest_c, highest_c = self.extremes_c()
        if highest_c <= limit_c:
            return 0.0
        if lowest_c >= limit_c:
            return self.dt_s
        a, b, c = self.parabola()
        piece_s = self.dt_s / ABOVE_PIECES
        return piece_s * sum(
            a + x * (b + c * x) > limit_c
            for x in ((piece + 0.5) * piece_s for piece in range(ABOVE_PIECES))
        )

    def mirrored(self) -> Course:
        """Return the course with every temperature's sign turned: what is below lies above."""
        return Course(self.dt_s, -self.before_c, -self.mean_c, -self.after_c)


ABOVE_PIECES = 12
"""Pieces into which a step that crosses a limit is cut to see how much of it lies above."""


class Lag(NamedTuple):
    """A probe on the way along a `Course`: a + b·x + c·x² + k·exp(-x·rate), x in seconds."""

    a: float
    b: float
    c: float
    k: float
    rate: float

    def at(self, x: float) -> float:
        """Return the probe's temperature *x* seconds after the course began [°C]."""
        return self.a + x * (self.b + self.c * x) + self.k * math.exp(-x * self.rate)

    def bend_c(self, dt_s: float) -> float:
        """Return how far the probe can leave the straight line between its ends [K], at most."""
        return 0.125 * dt_s * dt_s * (2.0 * abs(self.c) + abs(self.k) * self.rate * self.rate)


def lag_along(probe_c: float, course: Course, *, tau_s: float) -> Lag:
    """Return how a probe goes on that reads *probe_c* as a course begins; exact for the parabola.

    Args:
        probe_c: The probe now [°C].
        course: The truth from now on.
        tau_s: Time constant of the probe [s]; 0: no lag.

    Source:
        First-order lag, as `lagged_c`: its particular solution for a parabola.
    """
    a, b, c = course.parabola()
    if tau_s == 0.0:
        return Lag(a, b, c, 0.0, 0.0)
    late_a = a - tau_s * (b - 2.0 * tau_s * c)
    return Lag(late_a, b - 2.0 * tau_s * c, c, probe_c - late_a, 1.0 / tau_s)


def lag_at_rest(probe_c: float, place_c: float, *, tau_s: float) -> Lag:
    """Return how a probe goes on whose place stays at one temperature.

    Args:
        probe_c: The probe now [°C].
        place_c: Its place [°C].
        tau_s: Time constant of the probe [s]; 0: no lag.
    """
    if tau_s == 0.0:
        return Lag(place_c, 0.0, 0.0, 0.0, 0.0)
    return Lag(place_c, 0.0, 0.0, probe_c - place_c, 1.0 / tau_s)


def stepped_c(probe_c: float, *, step_k: float = PROBE_STEP_K) -> float:
    """Return the nearest temperature the probe can say [°C]; halves go up.

    Raises:
        PhysicsError: The temperature is not finite or the step not above 0.
    """
    if not (math.isfinite(probe_c) and 0.0 < step_k < math.inf):
        raise PhysicsError(f"probe at {probe_c} °C in steps of {step_k} K: both must be finite")
    return math.floor(probe_c / step_k + 0.5) * step_k
