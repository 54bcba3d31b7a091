"""``coldpin probes``: which thermometers are on the bus, and what each reads now."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from controller.cli import people
from controller.domain.reading_rows import PROBE_NAMES, place_words
from controller.errors import ProbeError
from controller.pictures import words
from controller.probes.one_wire import OneWireProbe, survey
from controller.probes.samples import Sample

W1_ROOT = "/sys/bus/w1/devices"
WARMED_MK = 1000
"""A hand warms a sleeve by several kelvin within a minute; common practice, no source."""
WARMING_S = 120.0

ROOT = click.option(
    "--root",
    default=W1_ROOT,
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder where Linux shows 1-Wire devices.",
)


@click.command()
@ROOT
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--tell-apart",
    is_flag=True,
    help="Warm one probe after another in your hand; prints the lines for the configuration.",
)
def probes(root: Path, as_json: bool, tell_apart: bool) -> None:
    """List the thermometers on the 1-Wire bus and what each reads."""
    if tell_apart and as_json:
        raise click.UsageError("--tell-apart asks and prints lines; leave --json out")
    require_bus(root)
    bus = survey(root)
    if tell_apart and bus.ids:
        _identify_each(root, bus.ids)
        return
    read = read_all(root, bus.ids)
    if as_json:
        people.print_json(
            {
                "root": str(root),
                "probes": [
                    {
                        "id": probe_id,
                        "reading_c": None if sample.value_mc is None else sample.value_mc / 1000,
                        "fault": sample.fault.value if sample.fault else None,
                    }
                    for probe_id, sample in read.items()
                ],
            }
        )
        return
    console = people.console()
    if not read:
        console.print(f"No thermometer under {root}. Check the cable, the pull-up and the pin.")
    else:
        table = people.table("id", "reads")
        for probe_id, sample in read.items():
            reading = sample.fault.value if sample.fault else words.temperature(sample.value_mc)
            table.add_row(probe_id, reading)
        console.print(table)
    if bus.ghosts:
        console.print(
            f"{words.counted(bus.ghosts, 'id')} that no chip has: noise on the bus; check the "
            "pull-up and take off unused cable."
        )


def require_bus(root: Path) -> None:
    """Go on only where Linux shows a 1-Wire bus.

    Raises:
        ProbeError: It shows none in that folder.
    """
    if not root.is_dir():
        raise ProbeError(
            f"found no folder {root}, allowed: the folder where Linux shows 1-Wire devices; "
            "enable 1-Wire (dtoverlay=w1-gpio) and reboot, or name another with --root"
        )


def read_all(root: Path, ids: tuple[str, ...]) -> dict[str, Sample]:
    """Read all probes at once: each read takes up to a second and the bus lets them overlap."""
    with ThreadPoolExecutor(max_workers=max(1, len(ids))) as pool:
        samples = pool.map(lambda probe_id: OneWireProbe(root, probe_id).read(time.monotonic), ids)
        return dict(zip(ids, samples, strict=True))


def _identify_each(root: Path, ids: tuple[str, ...]) -> None:
    """Ask for one place after another which probe hangs there, and print the tables."""
    lines: list[str] = []
    left = list(ids)
    for place in PROBE_NAMES:
        if not left or not click.confirm(
            f"Is there a probe for {place_words(place)}?", default=True
        ):
            continue
        click.echo("Warm that one in your hand.")
        probe_id = warmed(
            lambda: read_all(root, tuple(left)), longest_s=WARMING_S, sleep=time.sleep
        )
        click.echo(f"{place_words(place)} is {probe_id}")
        left.remove(probe_id)
        lines += [f"[probes.{place}]", 'kind = "one-wire"', f'id = "{probe_id}"', ""]
    click.echo("\n".join(["", *lines]))


def warmed(
    read: Callable[[], dict[str, Sample]], *, longest_s: float, sleep: Callable[[float], object]
) -> str:
    """Return the id of the probe that warms clearly more than all others.

    Args:
        read: Reads all probes at once.
        longest_s: How long to wait [s].
        sleep: Waits for a number of seconds.

    Raises:
        ProbeError: None did in time.
    """
    first: dict[str, int] = {}
    began: float | None = None
    while True:
        samples = read()
        rises = {}
        for probe_id, sample in samples.items():
            if sample.value_mc is not None:
                rises[probe_id] = sample.value_mc - first.setdefault(probe_id, sample.value_mc)
        now = max((sample.at for sample in samples.values()), default=0.0)
        began = now if began is None else began
        ranked = sorted(rises, key=lambda probe_id: -rises[probe_id])
        others_mk = max([0, *(rises[other] for other in ranked[1:])])
        if ranked and rises[ranked[0]] >= WARMED_MK + others_mk:
            return ranked[0]
        if now - began > longest_s:
            raise ProbeError(
                f"no probe warmed by {WARMED_MK / 1000:g} K more than the others within "
                f"{longest_s:g} s; hold the steel sleeve in a closed hand"
            )
        sleep(1.0)
