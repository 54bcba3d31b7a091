"""Switching points and timers for a species and a stage, before anything was measured."""

from __future__ import annotations

from dataclasses import dataclass

from controller.domain.temperatures import PROBE_STEP_MK
from controller.planning.cycle import Proposal
from controller.settings.species import AirBand

STAGES = ("pinning", "fruiting")
BELOW_TOP_K = 1.0
"""Cut-in lies this far below the top of a species' band: the air goes on rising for a while after
cooling starts, and every kelvin lower costs ice. Common practice."""
WIDTH_K = 2.0
"""From cut-in to cut-out: narrower switches more often than pump and relay like."""
NARROWEST_K = 0.5
LOW_LIMIT_K = 3.0
"""Cooling is cut off this far below the coldest cut-out."""
HIGH_ALARM_K = 1.5
"""The alarm for warm air stands this far above the warmest cut-in."""
RESERVOIR_WARM_K = 2.0
"""The alarm for warm water stands this far below the coldest cut-in, where the water is useless."""
WARMEST_RESERVOIR_C = 12.0
COLDEST_LIMIT_C, WARMEST_ALARM_C = 0.5, 35.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """Switching points of one stage [°C]."""

    cut_in_c: float
    cut_out_c: float


def points_of(band: AirBand) -> Points:
    """Return switching points inside a species' band, near its warm end."""
    low_c, high_c = band.low / 1000, band.high / 1000
    width_k = high_c - low_c
    top_c = high_c - min(BELOW_TOP_K, 0.25 * width_k)
    return Points(
        cut_in_c=top_c,
        cut_out_c=top_c - max(NARROWEST_K, min(WIDTH_K, 0.6 * width_k)),
    )


def points_of_proposal(proposal: Proposal) -> Points:
    """Return the switching points of a proposal."""
    return Points(cut_in_c=proposal.cut_in_c, cut_out_c=proposal.cut_out_c)


def low_limit_c(stages: tuple[Points, ...]) -> float:
    """Return the air at which cooling stops at once [°C]."""
    coldest_c = min(points.cut_out_c for points in stages)
    return max(min(COLDEST_LIMIT_C, coldest_c - PROBE_STEP_MK / 1000), coldest_c - LOW_LIMIT_K)


def air_high_c(stages: tuple[Points, ...]) -> float:
    """Return the air at which the alarm for warm air is raised [°C]."""
    return min(WARMEST_ALARM_C, max(points.cut_in_c for points in stages) + HIGH_ALARM_K)


def reservoir_warm_c(stages: tuple[Points, ...]) -> float:
    """Return the reservoir at which the alarm for warm water is raised [°C]."""
    coldest_c = min(points.cut_in_c for points in stages)
    return min(WARMEST_RESERVOIR_C, coldest_c - RESERVOIR_WARM_K)
