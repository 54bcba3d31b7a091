"""Several chambers side by side, and which one to go to first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from controller.domain.alarm_guide import Urgency, urgency_of
from controller.domain.alarms import Alarm
from controller.domain.json_text import read_json
from controller.domain.places import RECORDS
from controller.domain.published_forecast import PlannedChange, PublishedForecast
from controller.domain.status import Status
from controller.lookout.broker.other_chambers import Retained
from controller.records.boot import boot_id, boottime
from controller.records.forecast_file import FORECAST, read_forecast
from controller.records.status_file import STATUS, is_silent, read_status

PAGE = "page.json"
"""Where a lookout says at which port its page is."""
KEPT_FOR = timedelta(hours=2)
"""How old a broker's document may be: one comes every hour at least, and clocks differ."""
UNKNOWN_WITHIN = timedelta(hours=12)
"""A chamber of which nothing can be foretold is looked after like one due then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberSummary:
    """One chamber as it is seen from outside."""

    instance: str
    name: str
    silent: bool
    phase: str = ""
    air_c: float | None = None
    reservoir_c: float | None = None
    band_c: tuple[float, float] | None = None
    """Cut-out and cut-in."""
    alarms: tuple[Alarm, ...] = ()
    known: bool = False
    """Whether anything can be foretold of it."""
    early: datetime | None = None
    due: datetime | None = None
    late: datetime | None = None
    plan: tuple[PlannedChange, ...] = ()
    port: int | None = None
    """Of its page, where it is on this machine."""


def chamber_of(
    instance: str,
    *,
    silent: bool,
    status: Status | None,
    forecast: PublishedForecast | None,
    name: str = "",
    port: int | None = None,
) -> ChamberSummary:
    """Return a chamber from what is known of it.

    Args:
        instance: Its configuration's name.
        silent: Whether its control process has not spoken for too long.
        status: The newest status.
        forecast: The newest forecast.
        name: Its name, where the status does not tell it.
        port: Of its page.
    """
    shown = None if silent else status
    return ChamberSummary(
        instance=instance,
        name=(status.chamber if status is not None else "") or name or instance,
        silent=silent,
        phase="" if shown is None else shown.phase,
        air_c=None if shown is None else shown.air_c,
        reservoir_c=None if shown is None else shown.reservoir_c,
        band_c=None if status is None else (status.cut_out_c, status.cut_in_c),
        alarms=() if shown is None else shown.alarms,
        known=forecast is not None and forecast.known,
        early=None if forecast is None else forecast.early,
        due=None if forecast is None else forecast.swap_due,
        late=None if forecast is None else forecast.late,
        plan=() if forecast is None else forecast.plan,
        port=port,
    )


def chambers_below(folder: Path, *, run: Path, now: datetime) -> list[ChamberSummary]:
    """Return every chamber that keeps its state below a folder.

    Args:
        folder: Folder of state directories, one an instance.
        run: Folder of runtime directories, one an instance; it need not exist.
        now: Now, aware.
    """
    chambers = []
    for place in sorted(path for path in folder.iterdir() if path.is_dir()):
        chamber = chamber_at(place, run=run, now=now)
        if chamber is not None:
            chambers.append(chamber)
    return chambers


def chamber_at(place: Path, *, run: Path, now: datetime) -> ChamberSummary | None:
    """Return the chamber that keeps its state in a folder, None where none does.

    Args:
        place: The instance's state directory.
        run: Folder of runtime directories.
        now: Now, aware.
    """
    in_memory = run / place.name
    at = in_memory / STATUS if in_memory.is_dir() else place / STATUS
    try:
        if not (at.exists() or (place / RECORDS).exists() or (place / FORECAST).exists()):
            return None
    except OSError:
        return None  # not ours to read
    status = read_status(at)
    return chamber_of(
        place.name,
        silent=is_silent(status, boot_id=boot_id(), boottime_s=boottime()),
        status=status,
        forecast=read_forecast(place, now=now),
        port=_port(place),
    )


def chambers_of_broker(retained: Mapping[str, Retained], *, now: datetime) -> list[ChamberSummary]:
    """Return the chambers that a broker knows; what it has kept for too long says nothing.

    Args:
        retained: Its newest documents by "instance/machine".
        now: Now, aware.
    """
    chambers = []
    for instance, documents in sorted(retained.items()):
        state, forecast, present = documents.state, documents.forecast, documents.present
        away = present is not None and not present.present
        # a broker that was restarted has lost the last will of a machine that went before
        silent = away or state is None or state.silent or now - state.sent > KEPT_FOR
        foretold = None if forecast is None else forecast.forecast
        if foretold is not None and now - foretold.as_of > KEPT_FOR:
            foretold = None
        chambers.append(
            chamber_of(
                instance.partition("/")[0],
                silent=silent,
                status=None if state is None else state.status,
                forecast=foretold,
                name="" if state is None else state.chamber,
            )
        )
    return chambers


def in_order(
    chambers: Iterable[ChamberSummary], *, now: datetime
) -> list[tuple[ChamberSummary, str]]:
    """Return the chambers with the one to go to first at the front, each with the reason.

    One that is silent comes first, because there is no data of it; then those in which the crop is
    hurt now; then by the early bound of swap due.

    Args:
        chambers: Any number.
        now: Now, aware.
    """
    ranked = []
    for chamber in chambers:
        pressing = [alarm for alarm in chamber.alarms if urgency_of(alarm) is Urgency.CROP]
        if chamber.silent:
            key, why = (0, now), "no data"
        elif pressing:
            key, why = (1, chamber.early or now), "the crop needs somebody now"
        elif not chamber.known:
            key, why = (2, now + UNKNOWN_WITHIN), "when its cold runs out is not known"
        elif chamber.early is not None:
            key, why = (2, chamber.early), "by when its cold may run out"
        elif chamber.due is not None:
            key, why = (2, chamber.due), "by when its cold may run out"
        else:
            key, why = (3, now), "not due within the next 60 hours"
        ranked.append((key, chamber.instance, chamber, why))
    ranked.sort(key=lambda each: each[:2])
    return [(chamber, why) for _, _, chamber, why in ranked]


def _port(place: Path) -> int | None:
    try:
        port = read_json((place / PAGE).read_text(encoding="utf-8"))["port"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return port if isinstance(port, int) else None
