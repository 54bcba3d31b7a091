"""The service as systemd runs it: a subprocess, a notify socket, fake probes, switches on tape."""

from __future__ import annotations

import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from controller.records.boot import boot_id, boottime
from controller.service.kept_timers import VERSION
from tests.support.own_memory import give_own_memory
from tests.support.tape_driver import install_tape_driver
from tests.support.w1_tree import W1Tree
from tests.support.waiting import AT_MOST_S, until

AIR, WATER = "28-0a1b2c3d4e01", "28-0a1b2c3d4e02"

CONFIG = """
[chamber]
name = "test bench"
stage = "cropping"

[stages.cropping]
cut_in = "17 C"
cut_out = "15.5 C"

[timing]
tick = "0.2 s"
minimum_run = "10 s"
anti_short_cycle = "30 s"
prime = "1 s"
run_on = "1 s"

[limits]
low_limit = "11 C"
air_high = "20 C"

[readings]
every = "1 s"
deadline = "1 s"
stale_after = "5 s"
median_of = 1

[one_wire]
root = "{root}"

[probes.air]
kind = "one-wire"
id = "{air}"
fastest = "60 K"

[probes.reservoir]
kind = "one-wire"
id = "{water}"

[loads.pump]
driver = "tape"
path = "{pump}"
supply = "12 V DC"
current = "0.5 A"
load_kind = "motor"
{more}

[loads.fan]
driver = "tape"
path = "{fan}"
supply = "12 V DC"
current = "0.2 A"
load_kind = "motor"
"""


@dataclass
class Bench:
    """Everything around one service."""

    folder: Path
    tree: W1Tree
    manager: socket.socket
    process: subprocess.Popen[str] | None = None
    messages: queue.SimpleQueue[str] = field(default_factory=queue.SimpleQueue)

    @property
    def config(self) -> Path:
        return self.folder / "bench.toml"

    @property
    def state(self) -> Path:
        return self.folder / "state"

    @property
    def memory(self) -> Path:
        """Return what stands for the machine's shared memory."""
        return self.folder / "memory"

    @property
    def environment(self) -> dict[str, str]:
        return {
            **os.environ,
            "PYTHONPATH": str(self.folder / "site"),
            "STATE_DIRECTORY": str(self.state),
            "RUNTIME_DIRECTORY": str(self.folder / "run"),
            "NOTIFY_SOCKET": str(self.folder / "notify"),
            "WATCHDOG_USEC": "3000000",
        }

    def write_config(self, more: str = "", **changes: str) -> None:
        text = CONFIG.format(
            root=self.tree.root, air=AIR, water=WATER, more=more,
            pump=self.folder / "pump", fan=self.folder / "fan",
        )  # fmt: skip
        for before, after in changes.items():
            text = text.replace(before.replace("__", " "), after)
        self.config.write_text(text, encoding="utf-8")

    def rest_long_ago(self) -> None:
        """Leave the record of a pump that stopped an hour ago in this boot."""
        now = boottime()
        kept = {
            "version": VERSION, "boot_id": boot_id(), "at_s": now - 1, "pump": False,
            "pump_since_s": now - 3600, "failed_tries": 0, "locked_since_s": None,
            "paused_until_s": None,
        }  # fmt: skip
        (self.state / "kept-timers.json").write_text(json.dumps(kept), encoding="utf-8")

    def start(
        self, *, stderr: int = subprocess.PIPE, under: Sequence[str] = (), **environment: str
    ) -> None:
        self.process = subprocess.Popen(
            [*under, sys.executable, "-m", "controller", "run", str(self.config)],
            env={**self.environment, **environment},
            stderr=stderr,
            text=True,
        )

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "controller", *arguments],
            env=self.environment, capture_output=True, text=True, timeout=AT_MOST_S, check=False,
        )  # fmt: skip

    def listen(self) -> None:
        """Take every message as it comes: the queue of such a socket is short."""
        while True:
            message = self.manager.recv(4096)
            if not message:
                return
            self.messages.put(message.decode("utf-8"))

    def until_message(self, begins: str) -> str:
        """Wait for a message to the service manager; fails loudly when it never comes."""
        return self.messages_until(begins)[-1]

    def messages_until(self, begins: str) -> list[str]:
        """Return the messages from the last one that was waited for to the next such one."""
        seen = []
        while True:
            try:
                seen.append(self.messages.get(timeout=AT_MOST_S))
            except queue.Empty:
                raise AssertionError(f"no {begins!r} among {sorted(set(seen))}") from None
            if seen[-1].startswith(begins):
                return seen

    def until(self, what: Callable[[], bool]) -> None:
        """Wait until something holds; fails loudly when it never does."""
        until(what, "what this test waits for of the service")

    def tape(self, load: str) -> list[str]:
        path = self.folder / load
        return path.read_text(encoding="ascii").split("\n")[:-1] if path.exists() else []

    def is_on(self, load: str) -> bool:
        return self.tape(load)[-1:] == ["on"]

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def terminate_from_standstill(self) -> None:
        """Send SIGTERM to the service while it stands still and all it sent is read.

        Whatever it sends from then on, it sends after the signal, however busy this machine is.
        """
        self.signal(signal.SIGSTOP)
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as instance:
            instance.sendto(b"STANDS", str(self.folder / "notify"))
        self.until_message("STANDS")
        self.signal(signal.SIGTERM)
        self.signal(signal.SIGCONT)

    def ended(self) -> tuple[int, list[dict[str, object]]]:
        """Return exit status and log lines of the service, once it has ended."""
        assert self.process is not None
        _, errors = self.process.communicate(timeout=AT_MOST_S)
        lines = [json.loads(line) for line in errors.splitlines() if line.startswith("{")]
        return self.process.returncode, lines


@contextmanager
def bench(folder: Path) -> Iterator[Bench]:
    """Set up a bench and clear it away."""
    tree = W1Tree(folder / "w1")
    for probe_id in (AIR, WATER):
        tree.add_probe(probe_id)
    tree.set(AIR, 16.0)
    tree.set(WATER, 4.0)
    install_tape_driver(folder / "site")
    give_own_memory(folder / "site", folder / "memory")
    (folder / "state").mkdir()
    (folder / "run").mkdir()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(folder / "notify"))
        instance = Bench(folder, tree, manager)
        listener = threading.Thread(target=instance.listen, daemon=True)
        listener.start()
        instance.write_config()
        try:
            yield instance
        finally:
            tree.release_all()
            if instance.process is not None and instance.process.poll() is None:
                instance.process.kill()
                instance.process.wait()
            if instance.process is not None and instance.process.stderr is not None:
                instance.process.stderr.close()
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as last:
                last.sendto(b"", str(folder / "notify"))
            listener.join(AT_MOST_S)
