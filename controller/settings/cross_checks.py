"""What must hold between keys. Each check looks only at tables that were readable themselves."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from controller.domain.probe_ids import id_problem
from controller.domain.temperatures import PROBE_STEP_MK
from controller.domain.units import celsius_text
from controller.settings.models import (
    Alarms,
    ChamberTable,
    LimitsTable,
    Loads,
    Night,
    PowerSupply,
    Probes,
    ProbeTable,
    Readings,
    Site,
    Stage,
    TimingTable,
)
from controller.settings.simulation import MORE_FREEZERS

SUPPLY_SHARE = 0.8
"""Loads that run for hours take no more of a supply than this [-]; the same margin as the contact
of a relay has."""
NARROWEST_BAND_MK = math.ceil(2 * PROBE_STEP_MK)
"""Two steps of the probe: a narrower band would switch on the probe's own rounding."""

Check = Callable[..., Iterator[str]]


def _bands(stages: Mapping[str, Stage]) -> Iterator[tuple[str, Stage | Night]]:
    """Yield the path and band of every stage and night whose two points could be read."""
    for name, stage in stages.items():
        for path, band in ((f"stages.{name}", stage), (f"stages.{name}.night", stage.night)):
            if band is not None and hasattr(band, "cut_in") and hasattr(band, "cut_out"):
                yield path, band


def check_bands(stages: Mapping[str, Stage]) -> Iterator[str]:
    """Every band lies the right way round and is wide enough for the probe to see."""
    for path, band in _bands(stages):
        yield from _check_band(path, band)
        if isinstance(band, Night) and band.from_ == band.to:
            yield (
                f"{path}.to: found {band.to:%H:%M}, the same as from; "
                "allowed: another time of day; drop the table for one band all day"
            )


def _check_band(path: str, band: Stage | Night) -> Iterator[str]:
    width_mk = band.cut_in - band.cut_out
    if width_mk <= 0:
        yield (
            f"{path}.cut_out: found {celsius_text(band.cut_out)}, allowed: below {path}.cut_in, "
            f"which is {celsius_text(band.cut_in)}; cooling starts at cut_in and stops at cut_out"
        )
    elif width_mk < NARROWEST_BAND_MK:
        yield (
            f"{path}.cut_out: found a band of {width_mk / 1000:g} K, allowed: "
            f"{NARROWEST_BAND_MK / 1000:g} K or more, two steps of the probe; "
            "lower cut_out or raise cut_in"
        )


def check_stage_in_force(chamber: ChamberTable, stages: Mapping[str, Stage]) -> Iterator[str]:
    """The chamber's stage is one of the named ones."""
    if chamber.stage not in stages:
        known = ", ".join(sorted(stages)) or "none"
        yield f'chamber.stage: found "{chamber.stage}", allowed: a table under [stages]: {known}'


def check_limits(stages: Mapping[str, Stage], limits: LimitsTable) -> Iterator[str]:
    """The low limit lies below every cut-out and the high alarm above every cut-in."""
    for path, band in _bands(stages):
        if limits.low_limit >= band.cut_out:
            yield (
                f"limits.low_limit: found {celsius_text(limits.low_limit)}, allowed: below "
                f"{path}.cut_out, which is {celsius_text(band.cut_out)}"
            )
        if limits.air_high <= band.cut_in:
            yield (
                f"limits.air_high: found {celsius_text(limits.air_high)}, allowed: above "
                f"{path}.cut_in, which is {celsius_text(band.cut_in)}"
            )


def check_reservoir_limits(limits: LimitsTable, alarms: Alarms) -> Iterator[str]:
    """The reservoir's two alarms can both clear."""
    if limits.reservoir_freezing + alarms.clear_by >= limits.reservoir_warm - alarms.clear_by:
        yield (
            f"limits.reservoir_warm: found {celsius_text(limits.reservoir_warm)}, allowed: well "
            f"above limits.reservoir_freezing, which is {celsius_text(limits.reservoir_freezing)}, "
            "by more than twice alarms.clear_by"
        )


def check_timers(timing: TimingTable) -> Iterator[str]:
    """The timers fit each other and the tick."""
    if timing.prime > timing.minimum_run:
        yield (
            f"timing.prime: found {timing.prime:g} s, allowed: up to timing.minimum_run, "
            f"{timing.minimum_run:g} s, since priming is part of the run"
        )
    if timing.run_on > timing.anti_short_cycle:
        yield (
            f"timing.run_on: found {timing.run_on:g} s, allowed: up to timing.anti_short_cycle, "
            f"{timing.anti_short_cycle:g} s, since the fan must be done before the pump may start"
        )
    for key in ("minimum_run", "anti_short_cycle"):
        if getattr(timing, key) < 2 * timing.tick:
            yield (
                f"timing.{key}: found {getattr(timing, key):g} s, allowed: two ticks or more; "
                f"timing.tick is {timing.tick:g} s"
            )
    for key in ("longest_run", "longest_unseen_run"):
        if getattr(timing, key) <= timing.minimum_run:
            yield (
                f"timing.{key}: found {getattr(timing, key):g} s, allowed: above "
                f"timing.minimum_run, {timing.minimum_run:g} s"
            )


def check_reading_times(readings: Readings) -> Iterator[str]:
    """A reading can go stale only after several chances to renew it."""
    if readings.stale_after < 3 * readings.every:
        yield (
            f"readings.stale_after: found {readings.stale_after:g} s, allowed: three times "
            f"readings.every or more; readings.every is {readings.every:g} s"
        )


def check_probes(probes: Probes) -> Iterator[str]:
    """Each probe has what its kind needs, and no two are the same one."""
    owner: dict[str, str] = {}
    for name, probe in probes.fitted().items():
        yield from _check_probe(f"probes.{name}", probe)
        if probe.kind == "one-wire" and probe.id is not None:
            first = owner.setdefault(probe.id.lower(), f"probes.{name}")
            if first != f"probes.{name}":
                yield (
                    f'probes.{name}.id: found "{probe.id}", which is also {first}.id; '
                    "allowed: one probe for one place"
                )
    kinds = {probe.kind for probe in probes.fitted().values()}
    if len(kinds) > 1:
        yield (
            f"probes: found the kinds {', '.join(sorted(kinds))} together, allowed: one kind for "
            "all probes, since each kind has its own time"
        )


def _check_probe(path: str, probe: ProbeTable) -> Iterator[str]:
    if probe.kind == "one-wire":
        if probe.id is None:
            yield f"{path}.id: found nothing, allowed: a 1-Wire id; `coldpin probes` lists them"
        elif (problem := id_problem(probe.id)) is not None:
            yield f"{path}.id: {problem}"
    elif probe.id is not None:
        yield f'{path}.id: found "{probe.id}", allowed only where kind = "one-wire"'
    if probe.kind == "recorded" and probe.file is None:
        yield f"{path}.file: found nothing, allowed: the CSV file to play back"
    if probe.kind != "recorded" and probe.file is not None:
        yield f'{path}.file: found "{probe.file}", allowed only where kind = "recorded"'
    if probe.lowest is not None and probe.highest is not None and probe.lowest >= probe.highest:
        yield (
            f"{path}.lowest: found {celsius_text(probe.lowest)}, allowed: below {path}.highest, "
            f"which is {celsius_text(probe.highest)}"
        )


def check_time_zone(site: Site) -> Iterator[str]:
    """The time zone exists."""
    if site.time_zone is None:
        return
    try:
        ZoneInfo(site.time_zone)
    except (ValueError, OSError, LookupError):
        yield (
            f'site.time_zone: found "{site.time_zone}", allowed: an IANA name such as '
            '"Europe/Lisbon"; leave it out for the machine\'s own zone'
        )


def check_supplies(supplies: Mapping[str, PowerSupply], loads: Loads) -> Iterator[str]:
    """A load hangs on a supply that is stated, and the supply bears all its loads."""
    for name, load in loads.each().items():
        if load.fed_by is not None and load.fed_by not in supplies:
            known = ", ".join(sorted(supplies)) or "there is none"
            yield (
                f'loads.{name}.fed_by: found "{load.fed_by}", allowed: a supply of [supplies]: '
                f"{known}"
            )
    for name, supply in supplies.items():
        fed = [load for load in loads.each().values() if load.fed_by == name]
        yield from overloaded(name, supply.current, [load.current for load in fed])


def overloaded(name: str, rated_a: float, currents_a: Sequence[float]) -> Iterator[str]:
    """Yield a problem where a supply is asked for more than it can give all day.

    Args:
        name: The supply.
        rated_a: Its nameplate current [A].
        currents_a: Of its loads [A].
    """
    total_a, most_a = sum(currents_a), SUPPLY_SHARE * rated_a
    if total_a > most_a + 1e-9:
        yield (
            f"supplies.{name}: found loads of {total_a:g} A together, allowed: {most_a:g} A, which "
            f"is {SUPPLY_SHARE:.0%} of its {rated_a:g} A for loads that run on and on"
        )


def check_freezers(plant: Any) -> Iterator[str]:
    """Further freezers stand beside a first one: else our example freezer would be counted too."""
    names = getattr(plant, MORE_FREEZERS)
    if names and "freezer" not in plant.model_fields_set:
        yield (
            f"plant.{MORE_FREEZERS}: found {', '.join(names)} and no [plant.freezer], allowed: the "
            "first freezer in [plant.freezer], the others here"
        )


CHECKS: tuple[tuple[Check, tuple[str, ...]], ...] = (
    (check_bands, ("stages",)),
    (check_stage_in_force, ("chamber", "stages")),
    (check_limits, ("stages", "limits")),
    (check_reservoir_limits, ("limits", "alarms")),
    (check_timers, ("timing",)),
    (check_reading_times, ("readings",)),
    (check_probes, ("probes",)),
    (check_time_zone, ("site",)),
    (check_supplies, ("supplies", "loads")),
    (check_freezers, ("plant",)),
)
"""Each check with the tables that it needs."""


def cross_check(tables: Mapping[str, Any]) -> list[str]:
    """Return what does not hold between the tables that are there.

    A table may lack keys that could not be read; a check that needs one of them stays silent, since
    that key has its own problem already.
    """
    problems: list[str] = []
    for check, needs in CHECKS:
        if any(tables.get(table) is None for table in needs):
            continue
        try:
            problems += check(*(tables[table] for table in needs))
        except AttributeError as error:
            if not isinstance(error.obj, BaseModel):
                raise
    return problems
