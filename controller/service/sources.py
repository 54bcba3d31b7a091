"""From the settings to what reads the probes, and to the sieves that judge them."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from pathlib import Path

from controller.errors import ProbeError
from controller.log import Logger
from controller.probes.joined_sources import JoinedSources
from controller.probes.samples import SampleSource
from controller.probes.sieve import RULES_BY_PLACE, Sieve
from controller.service.bus import AwaitedBus, StrangerWatch
from controller.service.output_bank import OutputBank
from controller.settings.load import Settings

_log = Logger("coldpin.probes")


def open_source(settings: Settings, _outputs: OutputBank, folder: Path) -> SampleSource:
    """Start reading the probes of the settings.

    Args:
        settings: Which probes there are.
        folder: Where files that are named without a folder lie.

    Raises:
        ProbeError: The place where temperatures come from is not there.
    """
    match settings.probes.air.kind:
        case "one-wire":
            return _one_wire(settings)
        case "recorded":
            return _recorded(settings, folder)
        case other:
            raise ProbeError(f'probes of kind "{other}" cannot be read by the service')


def _one_wire(settings: Settings) -> SampleSource:
    # the library behind it is not needed, nor imported, for the other kinds
    from controller.probes.one_wire import open_one_wire  # noqa: PLC0415

    root = Path(settings.one_wire.root)
    return AwaitedBus(
        root,
        lambda: open_one_wire(
            root,
            probe_ids(settings),
            every_s=settings.readings.every,
            deadline_s=settings.readings.deadline,
            bulk=settings.one_wire.bulk,
            on_notice=lambda text: _log.info("one_wire", note=text),
        ),
    )


def probe_ids(settings: Settings) -> dict[str, str]:
    """Return the id of every probe on the 1-Wire bus, by its name."""
    if settings.probes.air.kind != "one-wire":
        return {}
    return {name: probe.id or "" for name, probe in settings.probes.fitted().items()}


def stranger_watch(settings: Settings) -> StrangerWatch | None:
    """Return what looks for unknown probes on the bus, None where there is no bus."""
    if settings.probes.air.kind != "one-wire":
        return None
    from controller.probes.one_wire import list_ids  # noqa: PLC0415 - needs the library

    root = Path(settings.one_wire.root)
    return StrangerWatch(lambda: list_ids(root), probe_ids(settings).values())


def _recorded(settings: Settings, folder: Path) -> SampleSource:
    """Play past readings back from now on, each file once for all the places that it serves."""
    from controller.probes.recorded import RecordedSource  # noqa: PLC0415

    places: dict[str, list[str]] = {}
    for name, probe in settings.probes.fitted().items():
        places.setdefault(probe.file or "", []).append(name)
    now = time.monotonic()
    return JoinedSources(
        [RecordedSource(folder / file, now, places=names) for file, names in places.items()]
    )


def sieves_of(settings: Settings) -> dict[str, Sieve]:
    """Return a fresh sieve for every probe that is fitted, the compulsory ones first."""
    readings = settings.readings
    sieves: dict[str, Sieve] = {}
    for name, probe in settings.probes.fitted().items():
        rules = RULES_BY_PLACE[name]
        own = {
            "lowest_mc": probe.lowest,
            "highest_mc": probe.highest,
            "fastest_mk_per_s": None if probe.fastest is None else -(-probe.fastest // 60),
        }
        sieves[name] = Sieve(
            replace(
                rules,
                offset_mk=probe.offset,
                median_of=readings.median_of,
                agree=readings.agree,
                stale_after_s=readings.stale_after,
                # water that stands at the melting point of its ice repeats itself for hours
                stuck_after_s=(
                    math.inf if math.isinf(rules.stuck_after_s) else readings.stuck_after
                ),
                **{key: value for key, value in own.items() if value is not None},
            )
        )
    return sieves
