"""A third party's output driver for tests: writes every switch to a tape, a file of one line each.

Installed as any driver is, by a .dist-info folder on the path, so that a subprocess finds it too.
"""

from __future__ import annotations

from pathlib import Path

from controller.outputs.protocol import OUTPUT_GROUP

_MODULE = '''
"""Outputs on a tape."""
import threading
import time
from pathlib import Path

from controller.errors import OutputError

NEVER = threading.Event()


class Tape:
    def __init__(self, options):
        self._path = Path(options["path"])
        self._stamps = options.get("stamps")
        self._fails_at = options.get("fails_at", 0)
        self._lies = options.get("lies", False)
        self._raises = options.get("raises", "OutputError")
        self._hangs_in = options.get("hangs_in", "")
        self._switches = 0
        self._write("open off")

    def _write(self, word):
        if word.endswith("off") and Path(f"{self._path}.stays-on").exists():
            raise OutputError("the tape does not answer")
        with self._path.open("a") as tape:
            tape.write(word + "\\n")
        if self._stamps:
            with Path(self._stamps).open("a") as stamps:
                stamps.write(f"{time.clock_gettime(time.CLOCK_BOOTTIME):.3f} {word}\\n")
        self._last = word

    def switch(self, on):
        self._switches += 1
        if on and self._hangs_in == "switch":
            NEVER.wait()
        if on and self._switches == self._fails_at:
            raise {"OutputError": OutputError, "KeyError": KeyError}[self._raises]("no answer")
        self._write("on" if on else "off")

    def read_back(self):
        return (self._last == "on") != (self._lies and self._last == "on")

    def close(self):
        if self._hangs_in == "close":
            NEVER.wait()
        self._write("close off")


class TapeDriver:
    hardware = True

    def problems(self, options):
        return [] if "path" in options else ["path: found nothing, allowed: a file"]

    def lines(self, options):
        return frozenset({"tape " + options["path"]})  # a driver that lets two in at once

    def describe(self, options):
        return "tape " + options["path"]

    def open(self, options):
        if options.get("refuses") or Path(options["path"] + ".refuses").exists():
            raise OutputError("the tape is not there")
        if options.get("raises_at_open"):
            raise KeyError("no such tape")
        if options.get("hangs_in") == "open":
            NEVER.wait()
        return Tape(options)
'''


def install_tape_driver(site: Path) -> None:
    """Put the driver's package into a folder that is, or will be, on the path."""
    site.mkdir(parents=True, exist_ok=True)
    (site / "tape_outputs.py").write_text(_MODULE, encoding="utf-8")
    info = site / "tape_outputs-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: tape-outputs\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[{OUTPUT_GROUP}]\ntape = tape_outputs:TapeDriver\n")
