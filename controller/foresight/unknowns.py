"""What is not known of a reservoir and its packs: names, first guesses, and how sure they are.

Widths come from our own study of 92 simulated plants (40 of them for tuning, none measured on
hardware) unless another source stands beside them. Those of coil, offset, frozen share, spread and
shrinking front are what the sets of twelve foreign simulated weeks taught in the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from controller.foresight.algebra import Matrix, diagonal
from controller.foresight.sized import Sized

WATER_KJ_KGK = 4.19
WET_OVER_DRY = 1.85
"""What a wet coil takes beside a dry one [-]: middle of what twelve foreign simulated weeks taught,
with its wet line through nothing; the study's own wet cores took 1.6 at 6 K below dew point."""


class Unknowns(NamedTuple):
    """One figure for each unknown, or its standard deviation; logarithms where it is positive."""

    coil: float
    """ln of the coil's conductance, wet [W/K]."""
    water: float
    """ln of the water's heat capacity [J/K]."""
    leak: float
    """ln of the box's heat leak [W/K]."""
    packs: float
    """ln of the conductance of a full set, half melted [W/K]."""
    core: float
    """How far the conductance falls while the front melts inwards [-]."""
    worth: float
    """ln of the heat of a full set, frozen through [J]."""
    frozen: float
    """ln of the share of it that was frozen [-]."""
    spread: float
    """ln of the share of the ice that is left when the first packs of a set are spent [-]."""
    offset: float
    """Where the coil's wet line starts [K]."""
    dry: float
    """Slope of the coil's dry line beside the wet one [-]."""
    shrink: float
    """How the melting front shrinks with the ice that is left: its exponent [-]."""


FROZEN = Unknowns._fields.index("frozen")
OFFSET = Unknowns._fields.index("offset")

FROZEN_MEAN = 0.91
"""Share of a set that is frozen when it goes in, where the grower says nothing [-]."""
NOT_THROUGH_MEAN, NOT_THROUGH_SD = 0.65, 0.20
"""The same where the grower says that the packs were not frozen through (sd of its ln)."""
UNLOGGED_SD = 0.25
"""The same (sd of its ln) where nobody logged the change: one in seven is of half a set on foreign
simulated weeks, and what is missing of a set shows as ice that is missing."""
SPREAD_MEAN = 0.05
CORE_MEAN, OFFSET_MEAN_K, DRY_MEAN, SHRINK_MEAN = 0.62, 0.0, 0.63, 0.3

FIRST_SD = Unknowns(
    coil=0.22, water=0.06, leak=0.40, packs=0.35, core=0.13, worth=0.05, frozen=0.045,
    spread=0.7, offset=1.0, dry=0.10, shrink=0.25,
)  # fmt: skip
"""Standard deviations before anything was seen."""
DRIFT_SD = Unknowns(
    coil=0.04, water=0.02, leak=0.08, packs=0.05, core=0.03, worth=0.01, frozen=0.0,
    spread=0.15, offset=0.15, dry=0.03, shrink=0.03,
)  # fmt: skip
"""How far each may have moved from one set of packs to the next."""
LOWEST = Unknowns(
    coil=-math.inf, water=-math.inf, leak=-math.inf, packs=-math.inf, core=0.0, worth=-math.inf,
    frozen=-math.inf, spread=math.log(0.02), offset=-1.5, dry=0.3, shrink=0.0,
)  # fmt: skip
HIGHEST = Unknowns(
    coil=math.inf, water=math.inf, leak=math.inf, packs=math.inf, core=0.95, worth=math.inf,
    frozen=0.05, spread=math.log(0.6), offset=3.0, dry=1.2, shrink=1.0,
)  # fmt: skip
WIDENED = 1.5
"""A fit's covariance is this much too small: its errors are not independent [-]."""
WIDEST = 1.15
"""No unknown gets wider than this times its first standard deviation [-]."""


@dataclass(frozen=True, slots=True)
class Belief:
    """Mean and covariance of the unknowns."""

    mean: Unknowns
    covariance: Matrix


def first_belief(sized: Sized) -> Belief:
    """Return what sizing says of the unknowns."""
    return Belief(
        Unknowns(
            coil=math.log(WET_OVER_DRY * sized.coil_dry_w_k),
            water=math.log(WATER_KJ_KGK * 1000.0 * sized.litres),
            leak=math.log(max(0.02, sized.leak_w_k)),
            packs=math.log(max(0.05, sized.packs_w_k)),
            core=CORE_MEAN,
            worth=math.log(max(1.0, 1000.0 * sized.packs_kj)),
            frozen=math.log(FROZEN_MEAN),
            spread=math.log(SPREAD_MEAN),
            offset=OFFSET_MEAN_K,
            dry=DRY_MEAN,
            shrink=SHRINK_MEAN,
        ),
        diagonal([sd * sd for sd in FIRST_SD]),
    )


def next_belief(fitted: Belief, *, first: Belief) -> Belief:
    """Return what one set of packs teaches about the next: wider, and the frozen share anew."""
    n = len(fitted.mean)
    covariance = [[WIDENED * value for value in row] for row in fitted.covariance]
    for i in range(n):
        covariance[i][i] += DRIFT_SD[i] ** 2
    for i in range(n):
        widest = (WIDEST * FIRST_SD[i]) ** 2
        if covariance[i][i] > widest:
            scale = math.sqrt(widest / covariance[i][i])
            for j in range(n):
                covariance[i][j] *= scale
                covariance[j][i] *= scale
    return _frozen_anew(Belief(fitted.mean, covariance), mean=first.mean.frozen, sd=FIRST_SD.frozen)


def not_frozen_through(belief: Belief) -> Belief:
    """Return the belief after a grower said that the packs were not frozen through."""
    return _frozen_anew(belief, mean=math.log(NOT_THROUGH_MEAN), sd=NOT_THROUGH_SD)


def not_logged(belief: Belief) -> Belief:
    """Return the belief where nobody said how many packs went in: perhaps not a whole set."""
    return _frozen_anew(belief, mean=belief.mean.frozen, sd=UNLOGGED_SD)


def _frozen_anew(belief: Belief, *, mean: float, sd: float) -> Belief:
    """Return the belief with another frozen share, tied to nothing else."""
    covariance = [list(row) for row in belief.covariance]
    for j in range(len(covariance)):
        covariance[FROZEN][j] = covariance[j][FROZEN] = 0.0
    covariance[FROZEN][FROZEN] = sd * sd
    return Belief(belief.mean._replace(frozen=mean), covariance)


def frozen_known(belief: Belief, share: float) -> Belief:
    """Return the belief once the ice is known to be gone: its frozen share is certain."""
    return _frozen_anew(belief, mean=math.log(share), sd=1e-3)


def within_range(values: list[float]) -> Unknowns:
    """Return unknowns held inside the range of their equations."""
    return Unknowns(
        *(min(max(v, low), high) for v, low, high in zip(values, LOWEST, HIGHEST, strict=True))
    )
