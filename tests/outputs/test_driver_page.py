"""The driver on the page for authors of drivers: installed, type-checked, tested and used."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from controller.outputs.protocol import OUTPUT_GROUP

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "hardware-notes" / "writing-a-driver.md").read_text(encoding="utf-8")
NAMED_BLOCK = re.compile(
    r"^`(?P<name>[\w./]+)`[^\n]*:\n\n```\w+\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL
)
LOAD = re.search(r"^```toml\n(\[loads\.pump\].*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page's files in a folder, with what an installer writes beside them."""
    folder = tmp_path_factory.mktemp("kernel-led")
    for block in NAMED_BLOCK.finditer(PAGE):
        path = folder / block["name"]
        path.parent.mkdir(exist_ok=True)
        path.write_text(block["text"], encoding="utf-8")
    (folder / "coldpin_kernel_led" / "py.typed").touch()
    project = tomllib.loads((folder / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    info = folder / "coldpin_kernel_led-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    )
    entries = project["entry-points"][OUTPUT_GROUP].items()
    (info / "entry_points.txt").write_text(
        f"[{OUTPUT_GROUP}]\n" + "".join(f"{name} = {target}\n" for name, target in entries)
    )
    return folder


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a module of this Python with the package on its path."""
    return subprocess.run(
        [sys.executable, "-m", *arguments],
        cwd=folder,
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": f"{folder}:{ROOT}", "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_page_holds_a_whole_package(package: Path) -> None:
    """All its files, none left out by this test's reading of the page."""
    files = {path.relative_to(package).as_posix() for path in package.rglob("*.*")}

    assert {
        "pyproject.toml",
        "coldpin_kernel_led/__init__.py",
        "coldpin_kernel_led/py.typed",
        "tests/test_conformance.py",
    } <= files


def test_its_types_hold(package: Path) -> None:
    """In the strict mode, against the types that coldpin ships."""
    ran = run(
        package, "mypy", "--strict", "--no-incremental", "--cache-dir=/dev/null",
        "--config-file=/dev/null", "coldpin_kernel_led", "tests/test_conformance.py",
    )  # fmt: skip

    assert ran.stdout.startswith("Success"), ran.stdout + ran.stderr


def test_it_passes_the_suite_that_ships(package: Path) -> None:
    """As its author would run it."""
    ran = run(package, "pytest", "-q", "-p", "no:cacheprovider", "tests")

    assert ran.returncode == 0, ran.stdout
    assert "10 passed" in ran.stdout


def test_a_configuration_can_name_it(package: Path, tmp_path: Path) -> None:
    """`coldpin check` finds it by its entry point and shows its wiring."""
    assert LOAD is not None
    example = (ROOT / "config" / "skerrow-pi.toml").read_text(encoding="utf-8")
    own, count = re.subn(r"^\[loads\.pump\]\n(?:\w.*\n)+", LOAD[1], example, flags=re.MULTILINE)
    assert count == 1
    config = tmp_path / "own.toml"
    config.write_text(own, encoding="utf-8")

    ran = run(package, "controller", "check", str(config))

    assert ran.returncode == 0, ran.stderr
    assert "kernel LED pump" in ran.stdout
