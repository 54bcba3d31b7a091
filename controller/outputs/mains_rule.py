"""The mains rule: which load may be switched through which relay module. Pure.

A load above the touch limits is a mains load, and is allowed only on a relay module whose record,
copied from its nameplate, shows that somebody competent tested it for that duty. No flag, no key
and no argument overrides a refusal. The rule reads records; it cannot see a wrong wire: local
codes and a licensed electrician have the last word on every mains installation.

Source:
    Touch limits 25 V AC and 60 V DC: IEC 61140, and IEC 60204-1 for PELV. Utilisation categories:
    IEC 60947-4-1 (AC-1, AC-3, DC-1) and IEC 60947-5-1 (AC-15, DC-13); those of lamps and of DC
    motors from memory. Continuous load: NEC Art. 100 and 210.20(A).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import Enum
from typing import Any

from controller.domain.supply import Supply, SupplyKind
from controller.outputs import nameplate

AC_TOUCH_LIMIT_V = 25.0
DC_TOUCH_LIMIT_V = 60.0
AC_WET_LIMIT_V = 12.0
DC_WET_LIMIT_V = 30.0
"""Bare parts touched in the wet: IEC 60364-7-701, zone 0, read at second hand. North American codes
allow 15 V AC."""
LEAST_MAINS_VA, MOST_MAINS_A = 0.5, 32.0
"""Less than any mains lamp, pump or fan takes, and more than a socket gives: a slip of the unit.
Common practice, no source."""
CONTINUOUS_MARGIN = 1.25
"""Rating over load current for what may run three hours or more, as cooling does."""


class LoadKind(Enum):
    """What a contact has to make and break, by the utilisation categories of the trade."""

    RESISTIVE = "resistive"
    """AC-1, DC-1: heaters; hardly any inductance."""
    MOTOR = "motor"
    """AC-3, DC-3: pumps and fans, brushless ones too; five to eight times the current at start."""
    ELECTROMAGNET = "electromagnet"
    """AC-15, DC-13: solenoid valves, contactor coils; a hard arc at every break."""
    LAMP = "lamp"
    """AC-5b, DC-6: filament lamps; about ten times the current when cold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedLoad:
    """A load as its nameplate describes it."""

    name: str
    supply: Supply
    current_a: float
    """Running current [A]."""
    kind: LoadKind

    def __post_init__(self) -> None:
        _require_current(self.current_a)

    @property
    def rating_needed_a(self) -> float:
        """Least contact rating that carries this load continuously [A]."""
        return round(self.current_a * CONTINUOUS_MARGIN, 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactRating:
    """One line of a nameplate: this current, of this kind of load, at up to this voltage."""

    load_kind: LoadKind
    supply: Supply
    current_a: float

    def __post_init__(self) -> None:
        _require_current(self.current_a)

    def __str__(self) -> str:
        return f"{self.load_kind.value} {self.current_a:g} A at {self.supply}"

    def covers(self, load: RatedLoad) -> bool:
        """Return whether the load lies within this rating, margin included.

        A rating for one kind of load says nothing about another: a contact for 10 A resistive
        carries a motor of perhaps 4 A. Nor does an AC rating say anything about DC, whose arc
        does not go out by itself.
        """
        return (
            self.load_kind is load.kind
            and self.supply.kind is load.supply.kind
            and self.supply.volts >= load.supply.volts
            and self.current_a >= load.rating_needed_a
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayModule:
    """A relay module as relay-modules.toml records it; None is what the record does not say."""

    id: str
    description: str
    ratings: tuple[ContactRating, ...]
    certification_mark: str | None = None
    standard: str | None = None
    file_number: str | None = None
    isolation_class: str | None = None
    enclosure: str | None = None

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> RelayModule:
        """Return the module of a record that the settings have validated.

        Args:
            record: The fields by name, ratings as mappings of ``load_kind``, ``supply`` (text)
                and ``current_a``.

        Raises:
            ValueError: A rating's text is not one of the allowed ones.
        """
        ratings = tuple(
            ContactRating(
                load_kind=LoadKind(rating["load_kind"]),
                supply=Supply.parse(rating["supply"]),
                current_a=rating["current_a"],
            )
            for rating in record["ratings"]
        )
        return cls(**{**record, "ratings": ratings})


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsVerdict:
    """Whether a load may be switched: a reason in one phrase, or every refusal."""

    reason: str = ""
    refusals: tuple[str, ...] = ()

    @property
    def allowed(self) -> bool:
        """True when nothing was refused."""
        return not self.refusals


def is_mains(supply: Supply) -> bool:
    """Return whether touching the supply may hurt in a dry place.

    Source:
        25 V AC and 60 V DC: IEC 61140; IEC 60204-1.
    """
    return supply.volts > _touch_limit_v(supply.kind)


def wet_limit_v(supply: Supply) -> float:
    """Return the voltage above which such a supply may hurt wet hands [V]."""
    return AC_WET_LIMIT_V if supply.kind is SupplyKind.AC else DC_WET_LIMIT_V


def _touch_limit_v(kind: SupplyKind) -> float:
    return AC_TOUCH_LIMIT_V if kind is SupplyKind.AC else DC_TOUCH_LIMIT_V


def judge_named(load: RatedLoad, named: object, modules: Mapping[str, RelayModule]) -> MainsVerdict:
    """Judge a load with what its ``relay_module`` key holds.

    Args:
        load: The load.
        named: The value of the key as the file gives it; None where there is no such key.
        modules: Every recorded module by its id.
    """
    if named is None:
        return judge(load, None)
    where = f"loads.{load.name}.relay_module"
    if not isinstance(named, str):
        what = "a record written in place" if isinstance(named, Mapping) else repr(named)
        return _refused(
            f"{where}: found {what}, allowed: the id of a module in relay-modules.toml; record "
            "the module there and name its id here"
        )
    if named not in modules:
        near = get_close_matches(named, modules, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "record the module there, or correct it"
        return _refused(
            f"{where}: found {named!r}, which relay-modules.toml does not record, "
            f"allowed: {', '.join(sorted(modules)) or 'none is recorded'}; {hint}"
        )
    return judge(load, modules[named])


def judge(load: RatedLoad, module: RelayModule | None) -> MainsVerdict:
    """Return whether *load* may be switched through *module*.

    Args:
        load: The load.
        module: The module that the load names; None where it names none.
    """
    mains = is_mains(load.supply)
    if module is None and not mains:
        limit_v = _touch_limit_v(load.supply.kind)
        return MainsVerdict(reason=f"extra-low voltage ({load.supply}, limit {limit_v:g} V)")
    if module is None:
        return _refused(
            f"loads.{load.name}.relay_module: found nothing for {load.supply}, which is mains, "
            "allowed: the id of a listed module in relay-modules.toml; record one from its "
            "nameplate, or use a load of extra-low voltage (up to 25 V AC or 60 V DC)"
        )
    refusals = [*_impossible_current(load), *_nameplate_gaps(load, module)] if mains else []
    covering = [rating for rating in module.ratings if rating.covers(load)]
    if not covering:
        refusals.append(_why_not_covered(load, module))
    if refusals:
        return _refused(*refusals)
    plate = f"{module.certification_mark} {module.file_number}, " if mains else ""
    return MainsVerdict(
        reason=f"{module.id}: {plate}{covering[0]} covers {load.rating_needed_a:g} A "
        f"(125 % of {load.current_a:g} A)"
    )


def _impossible_current(load: RatedLoad) -> list[str]:
    """Return a refusal of a current that no mains load has, which would fit every rating."""
    if load.current_a > MOST_MAINS_A or load.current_a * load.supply.volts < LEAST_MAINS_VA:
        least_a = LEAST_MAINS_VA / load.supply.volts
        problem = (
            f"loads.{load.name}.current: found {load.current_a:g} A at {load.supply}, allowed: "
            f"{least_a:.2g} A to {MOST_MAINS_A:g} A; copy it from the nameplate of the load"
        )
        return [problem]
    return []


def _nameplate_gaps(load: RatedLoad, module: RelayModule) -> list[str]:
    """Return a refusal for each thing that a mains module's record must say and does not."""
    fields = {field: getattr(module, field) for field in nameplate.REQUIRED}
    return [
        f"relay-modules.toml: modules.{module.id}.{gap.field}: found {gap.recorded}, allowed for "
        f"{load.name} at {load.supply}: {gap.allowed}; {gap.advice}"
        for gap in nameplate.gaps(fields)
    ]


def _why_not_covered(load: RatedLoad, module: RelayModule) -> str:
    """Say at which of kind, current, voltage and amperes the ratings first fall short."""
    ratings = ", ".join(str(rating) for rating in module.ratings) or "no contact rating"
    needs = (
        f"{load.kind.value} at least {load.rating_needed_a:g} A (125 % of {load.current_a:g} A, "
        f"as it may run for hours) at {load.supply} or more"
    )
    of_kind = [rating for rating in module.ratings if rating.load_kind is load.kind]
    of_current = [rating for rating in of_kind if rating.supply.kind is load.supply.kind]
    of_volts = [rating for rating in of_current if rating.supply.volts >= load.supply.volts]
    if not of_kind:
        short = f"no rating for a {load.kind.value} load, and another kind's does not count"
    elif not of_current:
        short = f"no {load.supply.kind.value} rating for it"
    elif not of_volts:
        short = "its voltage is too low"
    else:
        short = "its current is too low"
    return (
        f"loads.{load.name}.relay_module: found {module.id!r} rated {ratings}: {short}, "
        f"allowed: {needs}; choose a module whose nameplate gives that"
    )


def _refused(*refusals: str) -> MainsVerdict:
    return MainsVerdict(refusals=refusals)


def _require_current(current_a: float) -> None:
    if not (current_a > 0 and math.isfinite(current_a)):
        raise ValueError(f"found {current_a:g} A, allowed: a current above zero, from a nameplate")
