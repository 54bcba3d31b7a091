"""Lights by the clock: a load that need not be learned."""

from __future__ import annotations

from dataclasses import dataclass

from controller.domain.daytime import within


@dataclass(frozen=True, slots=True, kw_only=True)
class Lights:
    """When the lights are on, and what they give the air."""

    watts: float
    from_h: float
    """Local hour at which they go on; later than ``to_h``: on over midnight."""
    to_h: float

    def on(self, hour: float) -> bool:
        """Return whether they are on at a local hour."""
        return within(hour % 24.0, self.from_h, self.to_h)
