"""A forecast as it is published: on the page, in notices, to a broker and by the command."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from controller.domain.codec import Codec
from controller.domain.instants import FINITE, require_aware

WITHIN_H = 60
"""How far a forecast looks ahead [h]; what is later than that is not dated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedChange:
    """One pack change of the plan."""

    __pydantic_config__ = FINITE

    at: datetime
    """Aware."""
    packs: int
    why: str
    degree_hours_above: float = 0.0
    """Degree-hours above cut-in from the change before to this one [K h]."""

    def __post_init__(self) -> None:
        require_aware(self.at)


@dataclass(frozen=True, slots=True, kw_only=True)
class PackShortage:
    """What the packs cannot hold over the plan's two days, and what would."""

    __pydantic_config__ = FINITE

    warm_from: datetime
    """When the air begins to be too warm, aware."""
    peak_k: float
    """Most that it gets above cut-in [K]."""
    packs: int | None = None
    """How many more packs would hold it; None: more than a few."""
    freeze_now: bool = False
    """Whether packs that go into the freezer now are frozen in time."""

    def __post_init__(self) -> None:
        require_aware(self.warm_from)


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedFigure:
    """What is believed of one property of the equipment."""

    __pydantic_config__ = FINITE

    value: float
    sd_share: float
    """One standard deviation as a share of the value [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedForecast:
    """When the cold runs out, how sure that is, and what to do when."""

    __pydantic_config__ = FINITE

    format: int = 1
    as_of: datetime
    """Instant of the forecast, aware; so are all others."""
    swap_due: datetime | None = None
    """Most likely end of the cold; None: not within `WITHIN_H` hours, or not known (`basis`)."""
    early: datetime | None = None
    """One time in ten the cold ends before this."""
    late: datetime | None = None
    """One time in ten the cold ends after this."""
    reserve_kj: float | None = None
    """Heat that the reservoir still takes before it stops being useful [kJ]."""
    reserve_early_kj: float | None = None
    reserve_late_kj: float | None = None
    taken_up_kj: float | None = None
    """Heat taken up since the last pack change [kJ]."""
    useful_until_c: float | None = None
    """Reservoir temperature at which it stops being useful [°C]."""
    cycles_learned: int = 0
    """Sets of packs whose end was recorded."""
    basis: str = "unknown"
    """``sized``, ``mixed``, ``learned`` or ``unknown``."""
    swapped_at: datetime | None = None
    """When the packs in the reservoir went in, as it is believed."""
    swap_logged: bool | None = None
    """Whether a person logged that; None: no pack change is known."""
    notes: tuple[str, ...] = ()
    """What makes it less sure than it could be, in plain words."""
    plan: tuple[PlannedChange, ...] = ()
    freezer_keeps_up: bool | None = None
    """Whether every set of the plan can be whole; None: nothing can be planned."""
    shortage: PackShortage | None = None
    """None where the packs suffice."""
    degree_hours_above: float | None = None
    """Degree-hours above cut-in over the plan's two days [K h]; None: nothing can be planned."""
    learned: Mapping[str, LearnedFigure] = field(default_factory=dict)
    """What is believed of the equipment, by name with unit."""

    def __post_init__(self) -> None:
        require_aware(self.as_of, self.swap_due, self.early, self.late, self.swapped_at)

    @property
    def known(self) -> bool:
        """Whether anything can be forecast at all."""
        return self.basis != "unknown"

    @property
    def reserve_share(self) -> float | None:
        """Share of this set's cold that is left, 0 to 1; None where it is not known."""
        if self.reserve_kj is None or self.taken_up_kj is None:
            return None
        total_kj = self.reserve_kj + self.taken_up_kj
        return self.reserve_kj / total_kj if total_kj > 0 else 0.0

    def is_due(self, now: datetime, lead: timedelta) -> bool | None:
        """Return whether packs are due by the early bound; None where nothing is known.

        Args:
            now: Aware.
            lead: How long before the early bound they count as due.
        """
        if not self.known:
            return None
        return self.early is not None and now >= self.early - lead


FORECAST_CODEC = Codec(PublishedForecast)
