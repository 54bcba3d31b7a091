"""Installed drivers and a Pi's GPIO, without either being installed or a Pi."""

from __future__ import annotations

import importlib
import sys
import textwrap
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import controller.outputs
from controller.outputs.protocol import OUTPUT_GROUP
from tests.outputs.fake_lgpio import Lines

PI_3B, PI_5 = 0xA02082, 0xC04170
"""Revision codes, from the Raspberry Pi documentation's table."""

Install = Callable[..., Path]

PORCH_RELAY = '''
"""A third party's driver: a relay that is a file with the word on or off in it."""
from pathlib import Path


class FileRelay:
    def __init__(self, path):
        self._path, self._open = Path(path), True
        self._path.write_text("off")

    def switch(self, on):
        if not self._open:
            from controller.errors import OutputError

            raise OutputError(f"{self._path} was closed")
        self._path.write_text("on" if on else "off")

    def read_back(self):
        return self._path.read_text() == "on"

    def close(self):
        self._path.write_text("off")
        self._open = False


class FileRelayDriver:
    hardware = True

    def problems(self, options):
        found = [f"{key}: found an unknown key, allowed: path" for key in options if key != "path"]
        if not isinstance(options.get("path"), str):
            found.append("path: found no text, allowed: the name of a file")
        return found

    def lines(self, options):
        return frozenset({f"file {Path(options['path']).resolve()}"})

    def describe(self, options):
        return f"the file {options['path']}"

    def open(self, options):
        return FileRelay(options["path"])
'''


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Return a function that puts a package with entry points on the path, as pip would.

    What it writes is what an installer writes: the modules and a .dist-info folder beside them,
    so importlib.metadata finds the package by itself.
    """
    site = tmp_path / "site-packages"
    site.mkdir()
    monkeypatch.syspath_prepend(site)
    before = set(sys.modules)

    def put(name: str, entries: dict[str, str], modules: dict[str, str] | None = None) -> Path:
        info = site / f"{name}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
        lines = "".join(f"{key} = {value}\n" for key, value in entries.items())
        (info / "entry_points.txt").write_text(f"[{OUTPUT_GROUP}]\n{lines}")
        for module, source in (modules or {}).items():
            (site / f"{module}.py").write_text(textwrap.dedent(source))
        importlib.invalidate_caches()
        return site

    yield put
    for module in set(sys.modules) - before:
        if Path(getattr(sys.modules[module], "__file__", None) or "/").is_relative_to(site):
            del sys.modules[module]


@pytest.fixture
def installed(install: Install) -> None:
    """Our own drivers as pyproject.toml registers them, and a third party's beside them."""
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())
    install("coldpin", project["project"]["entry-points"][OUTPUT_GROUP])
    install(
        "porch_relay",
        {"porch-relay": "porch_relay:FileRelayDriver"},
        {"porch_relay": PORCH_RELAY},
    )


@pytest.fixture
def pi(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Lines]]:
    """Return a function that turns this machine into a Pi with recorded GPIO lines."""
    forget = ("lgpio", "gpiozero.pins.lgpio", "controller.outputs.lgpio_lines")
    aside = {name: sys.modules.pop(name) for name in forget if name in sys.modules}
    vars(controller.outputs).pop("lgpio_lines", None)  # "from controller.outputs import" sees it
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)

    def boot(*, revision: int = PI_3B, **lines: object) -> Lines:
        made = Lines(**lines)  # type: ignore[arg-type]
        monkeypatch.setitem(sys.modules, "lgpio", made.module())
        monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: revision)
        return made

    yield boot
    from gpiozero.pins.local import LocalPiFactory

    LocalPiFactory.pins.clear()
    LocalPiFactory._reservations.clear()
    for name in forget:
        sys.modules.pop(name, None)
    sys.modules.update(aside)
