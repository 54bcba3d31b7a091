"""``coldpin icepoint``: the offset of a probe from a bath of melting ice."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import click

from controller.cli import people
from controller.cli.probes import ROOT, require_bus
from controller.commissioning.ice_point import IcePoint, NotYet, judge_bath
from controller.errors import ProbeError
from controller.probes.one_wire import OneWireProbe, list_ids
from controller.probes.samples import Sample

EVERY_S = 5.0
SILENT_S = 30.0
HOW_TO = (
    "Crush ice made of clean water, wet it until no air is left in it, pour off what is too much.",
    "Put the probe deep into the middle, its cable in the ice too, and pack the ice round it.",
    "Stir now and then: melt water at 4 °C sinks to the bottom. Salt would make the bath colder.",
    "Keep the bath away from mains plugs and sockets.",
)


@click.command()
@click.option("--id", "probe_id", required=True, help="The probe's id, from `coldpin probes`.")
@ROOT
@click.option(
    "--minutes",
    default=20.0,
    show_default=True,
    type=click.FloatRange(3.5, 120),
    help="How long to wait for a steady bath.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def icepoint(probe_id: str, root: Path, minutes: float, as_json: bool) -> None:
    """Check a probe in an ice bath and propose its offset.

    Waits for a steady reading. Refuses a drift, an unsteady bath, or a bath that is not ice water.
    """
    probe = OneWireProbe(root, probe_id)
    require_bus(root)
    on_bus = list_ids(root)
    if probe.id not in on_bus:
        there = ", ".join(on_bus) or "none at all"
        raise ProbeError(
            f'--id: found "{probe.id}", which is not on the bus, allowed: {there}; '
            "`coldpin probes` shows what each one reads"
        )
    console = people.console()
    if not as_json:
        for line in HOW_TO:
            console.print(f"- {line}")
    judged = watch_bath(
        lambda: probe.read(time.monotonic),
        longest_s=minutes * 60,
        say=(lambda _: None) if as_json else console.print,
        sleep=time.sleep,
    )
    if as_json:
        people.print_json(
            {
                "id": probe.id,
                "offset_k": judged.offset_mk / 1000,
                "uncertainty_k": round(judged.uncertainty_mk / 1000, 4),
                "drift_k_min": round(judged.drift_mk_min / 1000, 4),
                "spread_k": judged.spread_mk / 1000,
                "readings": judged.readings,
            }
        )
        return
    console.print(
        f"steady: offset {judged.offset_mk / 1000:+.2f} K, give or take "
        f"{2 * judged.uncertainty_mk / 1000:.2f} K (twice the standard uncertainty)"
    )
    console.print("Write under the probe in the configuration:")
    console.print(f'offset = "{judged.offset_mk / 1000:.2f} K"')


def watch_bath(
    read: Callable[[], Sample],
    *,
    longest_s: float,
    say: Callable[[str], object],
    sleep: Callable[[float], object],
) -> IcePoint:
    """Read until the bath is steady.

    Args:
        read: Reads the probe once.
        longest_s: How long to wait [s].
        say: Is given the state of the check, when it changes.
        sleep: Waits for a number of seconds.

    Raises:
        ProbeError: The bath did not settle in time, or will never do.
    """
    readings: list[tuple[float, int]] = []
    first: float | None = None
    shown = ""
    while True:
        sample = read()
        first = sample.at if first is None else first
        if sample.value_mc is not None:
            readings.append((sample.at, sample.value_mc))
        elif sample.at - (readings[-1][0] if readings else first) > SILENT_S:
            why = sample.fault.value if sample.fault else "no reading"
            raise ProbeError(f"the probe has not answered for {SILENT_S:g} s: {why}")
        judged = judge_bath(readings)
        if isinstance(judged, IcePoint):
            return judged
        if judged.hopeless:
            raise ProbeError(judged.reason)
        if sample.at - first > longest_s:
            raise ProbeError(f"no steady bath within {longest_s / 60:g} minutes: {judged.reason}")
        now_c = "no reading" if sample.value_mc is None else f"{sample.value_mc / 1000:.2f} °C"
        line = f"{now_c}: {_without_figures(judged)}"
        if line != shown:
            say(f"{now_c}, {judged.reason}")
            shown = line
        sleep(EVERY_S)


def _without_figures(judged: NotYet) -> str:
    """Return what must change before the person is shown it again."""
    return "".join(letter for letter in judged.reason if not letter.isdigit())
