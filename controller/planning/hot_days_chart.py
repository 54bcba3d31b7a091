"""Rehearsed days as the picture of a chamber."""

from __future__ import annotations

from collections.abc import Sequence

from controller.pictures.chamber_chart import ChamberHistory, ChamberPoint, chamber_chart
from controller.pictures.chart import Chart
from controller.pictures.words import pack_count
from controller.rehearsal.trace_row import TraceRow
from controller.settings.law_of import BandSchedule, schedule_of
from controller.settings.load import Settings


def hot_days_chart(settings: Settings, rows: Sequence[TraceRow], label: str) -> Chart:
    """Return the picture of rehearsed days.

    Args:
        settings: What was rehearsed.
        rows: What its probes read, every five minutes; at least two.
        label: The same in a sentence.
    """
    schedule = schedule_of(settings.stages[settings.chamber.stage])
    history = ChamberHistory(
        points=[point_of(row) for row in rows],
        since_s=rows[0].time.timestamp(),
        until_s=rows[-1].time.timestamp(),
        bands_c=bands_of(rows, schedule),
        pack_changes=[
            (row.time.timestamp(), pack_count(row.swap_packs)) for row in rows if row.swap_packs
        ],
        unit=settings.display.unit,
        zone=settings.site.zone(),
    )
    return chamber_chart(history, label)


def bands_of(rows: Sequence[TraceRow], schedule: BandSchedule) -> list[tuple[float, float, float]]:
    """Return since when which band was in force; a band's own stage does not change here."""
    bands: list[tuple[float, float, float]] = []
    last = None
    for row in rows:
        band = schedule.band_at(row.time)
        if band != last:
            bands.append((row.time.timestamp(), band.cut_out_mc / 1000, band.cut_in_mc / 1000))
            last = band
    return bands


def point_of(row: TraceRow) -> ChamberPoint:
    """Return a row of a rehearsal as the picture takes it."""

    def celsius(name: str) -> float | None:
        value_mc = row.readings_mc.get(name)
        return None if value_mc is None else value_mc / 1000

    return ChamberPoint(
        at_s=row.time.timestamp(),
        air_c=celsius("air"),
        reservoir_c=celsius("reservoir"),
        room_c=celsius("room"),
        coil_outlet_c=celsius("coil_outlet"),
        pump=row.pump,
    )
