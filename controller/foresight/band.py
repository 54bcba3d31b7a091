"""What the air is held between, by the hour, as the forecast needs it."""

from __future__ import annotations

from dataclasses import dataclass

from controller.domain.daytime import within

SPENT_BY_K = 0.5
"""The cold has run out when the air stays this far above cut-in [K] …"""
SPENT_FOR_S = 1200.0
"""… for this long [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldBand:
    """Switching points of a stage [°C], with another pair for the night if it has one."""

    cut_in_c: float
    cut_out_c: float
    night_cut_in_c: float | None = None
    night_cut_out_c: float | None = None
    night_from_h: float = 0.0
    night_to_h: float = 0.0
    margin_k: float = 2.0
    """The reservoir must be this much colder than the air to be used [K]."""

    def at(self, hour: float) -> tuple[float, float]:
        """Return cut-in and cut-out at a local hour [°C]."""
        if self.night_cut_in_c is None or self.night_cut_out_c is None:
            return self.cut_in_c, self.cut_out_c
        if within(hour % 24.0, self.night_from_h, self.night_to_h):
            return self.night_cut_in_c, self.night_cut_out_c
        return self.cut_in_c, self.cut_out_c

    def middle_c(self, hour: float) -> float:
        """Return the middle of the band at a local hour [°C]."""
        cut_in_c, cut_out_c = self.at(hour)
        return 0.5 * (cut_in_c + cut_out_c)
