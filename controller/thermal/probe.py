"""What a probe makes of the true temperature: it lags, and it speaks in steps.

Apart from the plant on purpose: control must see the probe, the verdict must see the air.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from controller.errors import PhysicsError

_exp = math.exp

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
    nearer to the true course than any straight line. Where something answers within seconds, an
    exponential that fades is added, and the parabola is that of the rest.
    """

    dt_s: float
    before_c: float
    mean_c: float
    after_c: float
    swift_k: float = 0.0
    """Size of the part that fades [K]; 0: none."""
    per_s: float = 0.0
    """Rate at which it fades [1/s]."""

    def at(self, x: float) -> float:
        """Return the temperature *x* seconds after the step began [°C]."""
        a, b, c = self.parabola()
        smooth_c = a + x * (b + c * x)
        return smooth_c + self.swift_k * _exp(-self.per_s * x) if self.swift_k else smooth_c

    def parabola(self) -> tuple[float, float, float]:
        """Return (a, b, c) of a + b·x + c·x² with x the seconds since the step began.

        What fades is to be added.
        """
        dt_s, before_c, mean_c, after_c, swift_k, per_s = self
        if swift_k:
            faded = per_s * dt_s
            left = _exp(-faded)
            before_c -= swift_k
            mean_c -= swift_k * (1.0 - left) / faded
            after_c -= swift_k * left
        rise_k = after_c - before_c
        bend_k = 3.0 * (rise_k - 2.0 * (mean_c - before_c))
        return before_c, (rise_k - bend_k) / dt_s, bend_k / (dt_s * dt_s)

    def extremes_c(self) -> tuple[float, float]:
        """Return the lowest and the highest temperature within the step [°C]."""
        before_c, after_c = self.before_c, self.after_c
        lowest_c, highest_c = (before_c, after_c) if before_c < after_c else (after_c, before_c)
        if self.swift_k:
            return self._extremes_of_two(lowest_c, highest_c)
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

    def _extremes_of_two(self, lowest_c: float, highest_c: float) -> tuple[float, float]:
        """Return the extremes of a parabola and what fades, by the turns of their sum."""
        _, b, c = self.parabola()
        dt_s, per_s, fade_k_s = self.dt_s, self.per_s, self.swift_k * self.per_s
        # the slope itself turns once at most, so it has at most two zeros, on either side of that
        marks_s = [0.0, dt_s]
        ratio = -fade_k_s * per_s / (2.0 * c) if c else -1.0
        if ratio > 0.0 and 0.0 < (turn_s := math.log(ratio) / per_s) < dt_s:
            marks_s.insert(1, turn_s)
        rises = [b + 2.0 * c * mark_s > fade_k_s * _exp(-per_s * mark_s) for mark_s in marks_s]
        for place, rising in enumerate(rises[:-1]):
            if rising is rises[place + 1]:
                continue
            at_s = marks_s[place]
            piece_s = marks_s[place + 1] - at_s
            for _ in range(BISECTIONS):
                piece_s *= 0.5
                middle_s = at_s + piece_s
                if rising is (b + 2.0 * c * middle_s > fade_k_s * _exp(-per_s * middle_s)):
                    at_s = middle_s
            turn_c = self.at(at_s)
            lowest_c, highest_c = min(lowest_c, turn_c), max(highest_c, turn_c)
        return lowest_c, highest_c

    def above_ks(self, limit_c: float, extremes_c: tuple[float, float] | None = None) -> float:
        """Return the integral of what lies above a limit over the step [K·s].

        Args:
            limit_c: The limit [°C].
            extremes_c: What `extremes_c` gave, where it is known.
        """
        lowest_c, highest_c = extremes_c or self.extremes_c()
        if highest_c <= limit_c:
            return 0.0
        if lowest_c >= limit_c:
            return (self.mean_c - limit_c) * self.dt_s
        above_k = [c - limit_c for c in self._middles_c() if c > limit_c]
        return self.dt_s / ABOVE_PIECES * sum(above_k)

    def beyond_s(self, limit_c: float, extremes_c: tuple[float, float] | None = None) -> float:
        """Return how long the temperature is above a limit within the step [s].

        Args:
            limit_c: The limit [°C].
            extremes_c: What `extremes_c` gave, where it is known.
        """
        lowest_c, highest_c = extremes_c or self.extremes_c()
        if highest_c <= limit_c:
            return 0.0
        if lowest_c >= limit_c:
            return self.dt_s
        return self.dt_s / ABOVE_PIECES * sum([c > limit_c for c in self._middles_c()])

    def _middles_c(self) -> list[float]:
        """Return the temperatures in the middle of equal pieces of the step [°C]."""
        a, b, c = self.parabola()
        dt_s, swift_k, per_s = self.dt_s, self.swift_k, self.per_s
        middles_s = [piece * dt_s / ABOVE_PIECES for piece in _MIDDLES]
        if swift_k:
            return [a + x * (b + c * x) + swift_k * _exp(-per_s * x) for x in middles_s]
        return [a + x * (b + c * x) for x in middles_s]

    def mirrored(self) -> Course:
        """Return the course with every temperature's sign turned: what is below lies above."""
        dt_s, before_c, mean_c, after_c, swift_k, per_s = self
        return Course(dt_s, -before_c, -mean_c, -after_c, -swift_k, per_s)


ABOVE_PIECES = 12
"""Pieces into which a step that crosses a limit is cut to see how much of it lies above."""
_MIDDLES = tuple(piece + 0.5 for piece in range(ABOVE_PIECES))
BISECTIONS = 30
LEAST_FADING = 1.0
"""In a step in which an answer fades by less than this power of e, a parabola shows it well: within
0.3 % of its size."""


def swift_s(per_s: float, dt_s: float) -> float:
    """Return the size of what fades, for each kelvin a second that a parabola misses [s].

    A course's beginning, mean and end fix the parabola; its slope at the beginning, where that is
    known, then tells how much of it fades.

    Args:
        per_s: Rate at which it fades [1/s].
        dt_s: Length of the step [s].
    """
    if per_s * dt_s < LEAST_FADING:
        return 0.0
    left = math.exp(-per_s * dt_s)
    alone = Course(dt_s, 1.0, (1.0 - left) / (per_s * dt_s), left)
    return 1.0 / (-per_s - alone.parabola()[1])


class Lag(NamedTuple):
    """A probe on the way along a `Course`, x in seconds.

    a + b·x + c·x² + k·exp(-x·rate) + swift·exp(-x·swift_rate).
    """

    a: float
    b: float
    c: float
    k: float
    rate: float
    swift: float = 0.0
    swift_rate: float = 0.0

    def at(self, x: float) -> float:
        """Return the probe's temperature *x* seconds after the course began [°C]."""
        a, b, c, k, rate, swift, swift_rate = self
        smooth_c = a + x * (b + c * x) + k * _exp(-x * rate)
        return smooth_c + swift * _exp(-x * swift_rate) if swift else smooth_c

    def end_c(self, dt_s: float) -> tuple[float, float]:
        """Return where the probe is after a while [°C], and the bend of its way there.

        The bend is how far it can leave the straight line between both ends on the way [K].
        """
        a, b, c, k, rate, swift, swift_rate = self
        at_c = a + dt_s * (b + c * dt_s) + k * _exp(-dt_s * rate)
        # a curve by its second derivative, one that fades no further than all of it either
        share = 0.125 * dt_s * dt_s
        bend_k = 2.0 * share * abs(c) + abs(k) * min(1.0, share * rate * rate)
        if swift:
            at_c += swift * _exp(-dt_s * swift_rate)
            bend_k += abs(swift) * min(1.0, share * swift_rate * swift_rate)
        return at_c, bend_k


RESONANCE = 1e-5
"""A fading answer and a lag of nearly the same rate are taken as this far apart."""


def lag_along(probe_c: float, course: Course, *, tau_s: float) -> Lag:
    """Return how a probe goes on that reads *probe_c* as a course begins; exact for the course.

    Args:
        probe_c: The probe now [°C].
        course: The truth from now on.
        tau_s: Time constant of the probe [s]; 0: no lag.

    Source:
        First-order lag, as `lagged_c`: its particular solution for a parabola and an exponential.
    """
    a, b, c = course.parabola()
    swift, per_s = course.swift_k, course.per_s
    if tau_s == 0.0:
        return Lag(a, b, c, 0.0, 0.0, swift, per_s)
    late_b = b - 2.0 * tau_s * c
    late_a = a - tau_s * late_b
    if swift:
        apart = 1.0 - per_s * tau_s
        if abs(apart) < RESONANCE:
            per_s *= 1.0 + 2.0 * RESONANCE
            apart = 1.0 - per_s * tau_s
        swift /= apart
    return Lag(late_a, late_b, c, probe_c - late_a - swift, 1.0 / tau_s, swift, per_s)


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
