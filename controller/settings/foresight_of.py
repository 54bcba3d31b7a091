"""From settings to what the forecast starts from."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

from controller.domain.daytime import hour_of
from controller.foresight.band import HeldBand
from controller.foresight.forecaster import Forecaster
from controller.foresight.sized import Sized, sized_from
from controller.foresight.visits import Habits
from controller.settings.lights_of import lights_of
from controller.settings.load import Settings
from controller.settings.models import Stage
from controller.thermal.freezing import freezer_pace, freezers_kg_per_day


def forecaster_of(settings: Settings, stage: str | None = None) -> Forecaster:
    """Return the forecaster of a chamber, with nothing seen yet.

    Args:
        settings: The configuration.
        stage: The stage in force; None or an unknown one: the configuration's.

    Raises:
        PhysicsError: The plant's figures are outside their range.
    """
    chosen = settings.stages.get(stage or "") or settings.stages[settings.chamber.stage]
    zone = settings.site.zone()
    return Forecaster(
        sized_of(settings, chosen),
        held_band_of(settings, chosen),
        habits_of(settings),
        hour_at=lambda at_s: local_hour(at_s, zone),
        room_probe=settings.probes.room is not None,
    )


def held_band_of(settings: Settings, stage: Stage) -> HeldBand:
    """Return what the air is held between in a stage."""
    night = stage.night
    margin_k = settings.limits.reservoir_margin / 1000
    if night is None:
        return HeldBand(
            cut_in_c=stage.cut_in / 1000, cut_out_c=stage.cut_out / 1000, margin_k=margin_k
        )
    return HeldBand(
        cut_in_c=stage.cut_in / 1000,
        cut_out_c=stage.cut_out / 1000,
        night_cut_in_c=night.cut_in / 1000,
        night_cut_out_c=night.cut_out / 1000,
        night_from_h=hour_of(night.from_),
        night_to_h=hour_of(night.to),
        margin_k=margin_k,
    )


def sized_of(settings: Settings, stage: Stage) -> Sized:
    """Return the plant as the configuration describes it.

    Raises:
        PhysicsError: A figure outside its range.
    """
    spec = settings.plant_spec()
    return sized_from(
        spec, air_c=held_band_of(settings, stage).middle_c(12.0), lights=lights_of(settings)
    )


def habits_of(settings: Settings) -> Habits:
    """Return when somebody is awake, and what the freezer does."""
    spec = settings.plant_spec()
    packs = spec.packs
    return Habits(
        wakes_h=hour_of(settings.people.wakes),
        sleeps_h=hour_of(settings.people.sleeps),
        packs=packs.count,
        packs_in_set=packs.in_reservoir,
        freezer=freezer_pace(spec),
    )


def freezer_packs_per_day(settings: Settings) -> float | None:
    """Return the packs that the freezers freeze in a day, None where nothing is said of them.

    By [lookout] freezer_packs_per_day, else by [plant.freezer] and [plant.more_freezers.NAME].
    """
    if settings.lookout.freezer_packs_per_day is not None:
        return settings.lookout.freezer_packs_per_day
    if not settings.plant.freezer.model_fields_set:
        return None
    spec = settings.plant_spec()
    return freezers_kg_per_day(spec) / spec.packs.kg


def local_hour(at_s: float, zone: tzinfo | None) -> float:
    """Return the local hour of the day.

    Args:
        at_s: Seconds since 1970, UTC.
        zone: The chamber's zone; None: the machine's.
    """
    local = datetime.fromtimestamp(at_s, UTC).astimezone(zone)
    return hour_of(local.time())
