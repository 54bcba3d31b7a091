"""Noise of a simulated probe: a function of seed, probe and number of the reading, nothing else.

A reading that nobody works out therefore changes no other one.
"""

from __future__ import annotations

from functools import cache, lru_cache
from statistics import NormalDist

MOST_SIGMAS = 16
"""Standard deviations whose values are kept: probes and rehearsals of one chamber share them."""
_BITS = 12
_MASK = (1 << 64) - 1
_GOLDEN = 0x9E3779B97F4A7C15
_MIX = 0xBF58476D1CE4E5B9
_MIX_2 = 0x94D049BB133111EB


@cache
def _quantiles() -> tuple[float, ...]:
    """Return the middles of equally likely parts of the standard normal distribution."""
    parts = 1 << _BITS
    normal = NormalDist()
    return tuple(normal.inv_cdf((index + 0.5) / parts) for index in range(parts))


@lru_cache(MOST_SIGMAS)
def _values(sigma: float) -> tuple[float, ...]:
    """Return the quantiles of a normal distribution with this standard deviation."""
    return tuple([sigma * each for each in _quantiles()])


class Noise:
    """Normally distributed noise of one probe, cut off at `most`."""

    def __init__(self, seed: int, probe: str, sigma: float) -> None:
        """Begin.

        Args:
            seed: Seed of the run.
            probe: Name of the probe.
            sigma: Standard deviation, in any unit; the noise comes in the same.
        """
        salt = seed & _MASK
        for byte in probe.encode():
            salt = (salt ^ byte) * _MIX & _MASK
        self._salt = salt
        self._values = _values(sigma)
        self.most = self._values[-1]
        """No noise is larger than this, either way: about 3.7 standard deviations."""

    def at(self, number: int) -> float:
        """Return the noise of a reading by its number.

        Source:
            The mixing steps are those of SplitMix64 (Steele, Lea and Flood 2014, "Fast splittable
            pseudorandom number generators", OOPSLA).
        """
        mixed = number * _GOLDEN + self._salt & _MASK
        mixed = (mixed ^ mixed >> 30) * _MIX & _MASK
        mixed = (mixed ^ mixed >> 27) * _MIX_2 & _MASK
        return self._values[mixed >> 64 - _BITS]
