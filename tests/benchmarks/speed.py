"""Figures of speed and size; prints them and judges nothing.

Run as ``python -m tests.benchmarks.speed [--profile]``. All figures of one call come from one run
on one machine, side by side; absolute times drift from machine to machine, so compare ratios.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from controller.core.decide import begin
from controller.outputs.dry import DryOutput
from controller.probes.one_wire import open_one_wire
from controller.probes.samples import Sample
from controller.probes.scratchpad import scratchpad_text
from controller.rehearsal.rehearse import FIRST_DAY, Rehearsal
from controller.rehearsal.simulated_clock import SimulatedClock
from controller.service.journal import LogJournal
from controller.service.loop import BandInForce, ControlLoop
from controller.service.output_bank import OutputBank
from controller.service.sources import sieves_of
from controller.settings.law_of import law_of, schedule_of
from controller.settings.load import read_settings
from controller.settings.scenario_file import read_scenario
from controller.settings.shipped import shipped_config

CONVERSION_S = 0.75
IDS = tuple(f"28-0a1b2c3d4e0{number}" for number in range(1, 5))
CONFIG = shipped_config("larkmoor-laptop.toml")


def main() -> None:
    """Print every figure."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument(
        "--profile", action="store_true", help="show where a rehearsal's time goes"
    )
    options.add_argument("--days", type=float, default=10.0)
    chosen = options.parse_args()
    rehearsal_speed(chosen.days, profile=chosen.profile)
    tick_cost()
    service_start()
    four_probes()


def say(what: str, figure: str) -> None:
    """Print one figure."""
    print(f"{what:<58} {figure}")


def rehearsal_speed(days: float, *, profile: bool) -> None:
    """Simulated days a second, with the whole control loop at the configuration's tick."""
    settings = read_settings(CONFIG)
    scenario = read_scenario(shipped_config("scenarios") / "heat-wave.toml")
    rehearsal = Rehearsal(settings, scenario, days=days)
    profiler = cProfile.Profile() if profile else None
    began, began_wall = time.process_time(), time.perf_counter()
    if profiler:
        profiler.runcall(rehearsal.run)
    else:
        rehearsal.run()
    cpu_s, wall_s = time.process_time() - began, time.perf_counter() - began_wall
    say(
        f"rehearsal, chamber plant, tick {settings.timing.tick:g} s (CPU / wall)",
        f"{days / cpu_s:.1f} / {days / wall_s:.1f} days/s",
    )
    if profiler:
        pstats.Stats(profiler).sort_stats("tottime").print_stats(18)


class _Readings:
    """A source that always has a reading ready: the air goes up and down through the band."""

    def __init__(self) -> None:
        self._turn = 0

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        self._turn += 1
        air_mc = 15_000 + abs(self._turn % 64 - 32) * 125 // 2
        return [
            ("air", Sample(now, air_mc)),
            ("reservoir", Sample(now, 4000)),
            ("room", Sample(now, 25_000)),
        ]

    def close(self) -> None:
        pass


def tick_cost() -> None:
    """One tick of the service apart from input and output, with a new air reading every time."""
    settings = read_settings(CONFIG)
    clock = SimulatedClock(FIRST_DAY.astimezone())
    loop = ControlLoop(
        law=law_of(settings),
        source=_Readings(),
        sieves=sieves_of(settings),
        outputs=OutputBank({"pump": DryOutput(), "fan": DryOutput()}),
        journal=_Silent(),
        state=begin(clock.monotonic()),
    )
    band = BandInForce(schedule_of(settings.stages["fruiting"]), clock)
    costs_us = []
    for turn in range(20_000):
        clock.move_to(clock.origin + 5.0 * turn)
        began = time.perf_counter()
        now = clock.monotonic()
        loop.tick(now, band.at(now))
        costs_us.append((time.perf_counter() - began) * 1e6)
    worst = statistics.quantiles(costs_us, n=1000)[-1]
    say(
        "one tick apart from I/O, every reading new",
        f"{statistics.median(costs_us):.1f} µs (median), {worst:.1f} µs (99.9 %)",
    )


class _Silent(LogJournal):
    def note(self, *_: object) -> None:
        pass


def service_start() -> None:
    """From exec to READY and to the first decision, and the resident size after it."""
    with tempfile.TemporaryDirectory() as folder:
        address = f"{folder}/notify"
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind(address)
            manager.settimeout(30)
            root = Path(folder) / "w1"
            for probe_id in IDS[:2]:
                (root / probe_id).mkdir(parents=True)
                (root / probe_id / "w1_slave").write_bytes(scratchpad_text(12_500))
            config = Path(folder) / "pi.toml"
            config.write_text(_one_wire_config(root), encoding="utf-8")
            began = time.perf_counter()
            service = subprocess.Popen(
                [sys.executable, "-m", "controller", "run", str(config)],
                env={**os.environ, "NOTIFY_SOCKET": address, "STATE_DIRECTORY": folder},
                stderr=subprocess.DEVNULL,
            )
            try:
                _until(manager, b"READY=1")
                ready_s = time.perf_counter() - began
                _until(manager, b"STATUS=")
                first_s = time.perf_counter() - began
                time.sleep(1.0)
                resident_mb = _resident_mb(service.pid)
            finally:
                stop_began = time.perf_counter()
                service.send_signal(signal.SIGTERM)
                service.wait(10)
                stop_s = time.perf_counter() - stop_began
    say(
        "`coldpin run`: exec to READY / to the first decision", f"{ready_s:.2f} s / {first_s:.2f} s"
    )
    say("`coldpin run`: resident after start", f"{resident_mb:.1f} MB")
    say("`coldpin run`: SIGTERM to exit", f"{stop_s:.2f} s")


def _one_wire_config(root: Path) -> str:
    text = CONFIG.read_text(encoding="utf-8")
    for place, probe_id in zip(("air", "reservoir"), IDS, strict=False):
        text = text.replace(
            f'[probes.{place}]\nkind = "simulated"',
            f'[probes.{place}]\nkind = "one-wire"\nid = "{probe_id}"',
        )
    text = text.replace('[probes.room]\nkind = "simulated"', "")
    return f'{text}\n[one_wire]\nroot = "{root}"\n'.replace('driver = "dry"', 'driver = "dry"')


def _until(manager: socket.socket, wanted: bytes) -> None:
    while not manager.recv(4096).startswith(wanted):
        pass


def _resident_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise ValueError(f"no resident size of process {pid}")


def four_probes() -> None:
    """Four probes on one bus whose conversion takes 750 ms, ours beside the library's own way."""
    with tempfile.TemporaryDirectory() as folder, _fake_bus(Path(folder)) as root:
        overlapped_s = _timed(lambda: _read_ours(root))
        one_by_one_s = _timed(lambda: _read_with_library(root))
    say("four probes, overlapped reads (FIFOs that take 750 ms)", f"{overlapped_s:.2f} s")
    say("four probes, w1thermsensor one after another", f"{one_by_one_s:.2f} s")
    say("ratio", f"{one_by_one_s / overlapped_s:.1f}")


def _timed(what: Callable[[], None]) -> float:
    began = time.perf_counter()
    what()
    return time.perf_counter() - began


def _read_ours(root: Path) -> None:
    reader = open_one_wire(
        root,
        dict(zip(("air", "reservoir", "room", "coil_outlet"), IDS, strict=True)),
        every_s=60.0,
        deadline_s=4.0,
        on_notice=lambda _: None,
    )
    waiting = set(IDS)
    names: set[str] = set()
    while len(names) < len(waiting):
        names |= {name for name, _ in reader.collect(time.monotonic())}
        time.sleep(0.005)
    reader.close()


def _read_with_library(root: Path) -> None:
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"
    from w1thermsensor import Sensor, W1ThermSensor

    class ProbeUnderRoot(W1ThermSensor):  # type: ignore[misc]
        BASE_DIRECTORY = root

    for probe_id in IDS:
        ProbeUnderRoot(Sensor.DS18B20, probe_id[3:]).get_temperature()


@contextmanager
def _fake_bus(folder: Path) -> Iterator[Path]:
    """Serve files that answer 750 ms after they were opened, as an externally powered bus does."""
    stop = threading.Event()

    def serve(path: Path) -> None:
        while not stop.is_set():
            with path.open("wb") as file:  # waits for a reader
                if stop.is_set():
                    return
                time.sleep(CONVERSION_S)
                # a fresh pipe for the next reader, or this one would never see the end of its file
                fresh = path.with_suffix(".fresh")
                os.mkfifo(fresh)
                fresh.replace(path)
                with suppress(BrokenPipeError):
                    file.write(scratchpad_text(12_500))

    paths = []
    for probe_id in IDS:
        path = folder / probe_id / "w1_slave"
        path.parent.mkdir()
        os.mkfifo(path)
        paths.append(path)
    for path in paths:
        threading.Thread(target=serve, args=(path,), daemon=True).start()
    yield folder
    stop.set()
    for path in paths:
        with suppress(OSError):
            os.close(os.open(path, os.O_RDONLY | os.O_NONBLOCK))


if __name__ == "__main__":
    main()
