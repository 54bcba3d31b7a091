"""Several chambers side by side, and which one to go to first."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from controller.domain.places import RECORDS
from controller.records.boot import boot_id, boottime
from controller.records.forecast_file import FORECAST, read_forecast
from controller.records.status_file import STATUS, read_status, silent

PAGE = "page.json"
"""Where a lookout says at which port its page is."""
UNKNOWN_WITHIN = timedelta(hours=12)
"""A chamber of which nothing can be foretold is looked after like one due then."""
PRESSING = ("air_high", "flow_not_proved", "output_failed", "probe_lost", "air_low")
"""Alarms by which a crop is hurt now and not later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A swap of a chamber's plan."""

    at: datetime
    packs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamber:
    """One chamber as it is seen from outside."""

    instance: str
    name: str
    silent: bool
    phase: str = ""
    air_c: float | None = None
    reservoir_c: float | None = None
    band_c: tuple[float, float] | None = None
    """Cut-out and cut-in."""
    alarms: tuple[str, ...] = ()
    known: bool = False
    """Whether anything can be foretold of it."""
    early: datetime | None = None
    due: datetime | None = None
    late: datetime | None = None
    plan: tuple[Planned, ...] = ()
    port: int | None = None
    """Of its page, where it is on this machine."""


def chamber_of(
    instance: str,
    *,
    silent: bool,
    status: dict[str, Any] | None,
    forecast: dict[str, Any] | None,
    name: str = "",
    port: int | None = None,
) -> Chamber:
    """Return a chamber from its documents; what is missing or malformed is not known.

    Args:
        instance: Its configuration's name.
        silent: Whether its control process has not spoken for too long.
        status: The newest status.
        forecast: The newest forecast.
        name: Its name, where the status does not tell it.
        port: Of its page.
    """
    status = status if isinstance(status, dict) else {}
    forecast = forecast if isinstance(forecast, dict) else {}
    probes = _table(status.get("probes"))
    low_c, high_c = _number(status.get("cut_out_c")), _number(status.get("cut_in_c"))
    planned = (_planned(each) for each in _list(forecast.get("plan")))
    return Chamber(
        instance=instance,
        name=str(status.get("chamber") or name or instance),
        silent=silent,
        phase="" if silent else str(status.get("phase", "")),
        air_c=None if silent else _number(_table(probes.get("air")).get("reading_c")),
        reservoir_c=None if silent else _number(_table(probes.get("reservoir")).get("reading_c")),
        band_c=None if low_c is None or high_c is None else (low_c, high_c),
        alarms=()
        if silent
        else tuple(str(_table(alarm).get("name")) for alarm in _list(status.get("alarms"))),
        known=str(forecast.get("basis")) in {"sized", "mixed", "learned"},
        early=_instant(forecast.get("early")),
        due=_instant(forecast.get("swap_due")),
        late=_instant(forecast.get("late")),
        plan=tuple(each for each in planned if each is not None),
        port=port,
    )


def chambers_below(folder: Path, *, run: Path, now: datetime) -> list[Chamber]:
    """Return every chamber that keeps its state below a folder.

    Args:
        folder: Folder of state directories, one an instance.
        run: Folder of runtime directories, one an instance; it need not exist.
        now: Now, aware.
    """
    found = []
    for place in sorted(path for path in folder.iterdir() if path.is_dir()):
        chamber = chamber_at(place, run=run, now=now)
        if chamber is not None:
            found.append(chamber)
    return found


def chamber_at(place: Path, *, run: Path, now: datetime) -> Chamber | None:
    """Return the chamber that keeps its state in a folder, None where none does.

    Args:
        place: The instance's state directory.
        run: Folder of runtime directories.
        now: Now, aware.
    """
    beside = run / place.name
    at = beside / STATUS if beside.is_dir() else place / STATUS
    try:
        if not (at.exists() or (place / RECORDS).exists() or (place / FORECAST).exists()):
            return None
    except OSError:
        return None  # not ours to read
    status = read_status(at)
    return chamber_of(
        place.name,
        silent=silent(status, boot_id=boot_id(), boottime_s=boottime()),
        status=status,
        forecast=read_forecast(place, now=now),
        port=_port(place),
    )


def chambers_told(documents: dict[str, dict[str, Any]]) -> list[Chamber]:
    """Return the chambers that a broker knows.

    Args:
        documents: For each "instance/machine", its retained documents by topic: ``state``,
            ``forecast``, ``present``.
    """
    found = []
    for instance, told in sorted(documents.items()):
        state = _table(told.get("state"))
        away = _table(told.get("present")).get("present") is False
        found.append(
            chamber_of(
                instance.partition("/")[0],
                silent=away or state.get("silent") is not False,
                status=state.get("status"),
                forecast=_table(told.get("forecast")).get("forecast"),
                name=str(state.get("chamber", "")),
            )
        )
    return found


def in_order(chambers: Iterable[Chamber], *, now: datetime) -> list[tuple[Chamber, str]]:
    """Return the chambers with the one to go to first at the front, each with the reason.

    One that is silent comes first, because nobody knows how it is; then those in which the crop is
    hurt now; then by the early bound of swap due.

    Args:
        chambers: Any number.
        now: Now, aware.
    """
    ranked = []
    for chamber in chambers:
        pressing = [name for name in chamber.alarms if name in PRESSING]
        if chamber.silent:
            key, why = (0, now), "nobody knows how it is"
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


def _table(found: object) -> dict[str, Any]:
    return found if isinstance(found, dict) else {}


def _list(found: object) -> list[Any]:
    return found if isinstance(found, list) else []


def _number(found: object) -> float | None:
    if isinstance(found, bool) or not isinstance(found, int | float):
        return None
    return float(found) if math.isfinite(found) else None


def _instant(found: object) -> datetime | None:
    try:
        at = datetime.fromisoformat(found) if isinstance(found, str) else None
    except ValueError:
        return None
    return at if at is not None and at.tzinfo is not None else None


def _planned(found: object) -> Planned | None:
    table = _table(found)
    at, packs = _instant(table.get("at")), _number(table.get("packs"))
    return None if at is None or packs is None else Planned(at=at, packs=int(packs))


def _port(place: Path) -> int | None:
    try:
        found = json.loads((place / PAGE).read_text(encoding="utf-8"))["port"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if isinstance(found, int) else None
