"""``coldpin probes``: which thermometers are on the bus, and what each reads now."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import click

from controller.cli import people
from controller.errors import ProbeError
from controller.probes.one_wire import OneWireProbe, survey
from controller.probes.protocol import Sample

W1_ROOT = "/sys/bus/w1/devices"


@click.command()
@click.option(
    "--root",
    default=W1_ROOT,
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder where Linux shows 1-Wire devices.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def probes(root: Path, as_json: bool) -> None:
    """List the thermometers on the 1-Wire bus with a reading of each."""
    if not root.is_dir():
        raise ProbeError(
            f"found no folder {root}, allowed: the folder where Linux shows 1-Wire devices; "
            "enable 1-Wire (dtoverlay=w1-gpio) and reboot, or name another with --root"
        )
    found = survey(root)
    read = _read_all(root, found.ids)
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
            told = sample.fault.value if sample.fault else people.temperature(sample.value_mc)
            table.add_row(probe_id, told)
        console.print(table)
    if found.ghosts:
        console.print(
            f"{found.ghosts} device(s) that no chip has: noise on the bus; check the pull-up and "
            "take off unused cable."
        )


def _read_all(root: Path, ids: tuple[str, ...]) -> dict[str, Sample]:
    """Read all at once: each read takes up to a second and the bus lets them overlap."""
    with ThreadPoolExecutor(max_workers=max(1, len(ids))) as pool:
        samples = pool.map(lambda probe_id: OneWireProbe(root, probe_id).read(time.monotonic), ids)
        return dict(zip(ids, samples, strict=True))
