"""The locks name what pyproject.toml asks for, each package with hashes."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.markers import Marker

ROOT = Path(__file__).parents[3]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS = PROJECT["project"]["optional-dependencies"]


def named(requirements: list[str]) -> set[str]:
    """Return the names in requirements as PEP 503 writes them."""
    names = (re.match(r"[\w.-]+", each) for each in requirements)
    return {re.sub(r"[-_.]+", "-", name[0]).lower() for name in names if name}


@pytest.mark.parametrize(
    ("lock", "wanted"),
    [
        (
            "requirements.lock",
            [*PROJECT["project"]["dependencies"], *EXTRAS["lookout"], *EXTRAS["mqtt"]],
        ),
        ("build.lock", PROJECT["build-system"]["requires"]),
        ("lgpio.lock", EXTRAS["pi"]),
    ],
)
def test_a_lock_names_every_package_with_its_hashes(lock: str, wanted: list[str]) -> None:
    """A package that is asked for and not locked would be missing on every Pi."""
    text = (ROOT / "systemd" / lock).read_text(encoding="utf-8")
    blocks = re.findall(r"(?m)^([\w.-]+)==(?:.*\\\n)(?:    --hash=sha256:[0-9a-f]{64}.*\n)+", text)

    assert named(wanted) <= named(blocks), "systemd/refresh-lock writes them anew"
    assert len(blocks) == len(re.findall(r"(?m)^[\w.-]+==", text)), "one has no hash"


@pytest.mark.parametrize(
    ("python", "processor", "name"),
    [
        ("3.11", "aarch64", "lgpio"),
        ("3.12", "armv7l", "lgpio"),
        ("3.13", "aarch64", "adafruit-lgpio"),
        ("3.13", "armv7l", "adafruit-lgpio"),
        ("3.14", "aarch64", "adafruit-lgpio"),
    ],
)
def test_each_python_and_processor_gets_one_lgpio(python: str, processor: str, name: str) -> None:
    """Two of them would write over each other's module; none would leave the relays unmoved.

    Source: the files that PyPI lists for both packages, looked up on 2026-11-27. The sources of
    lgpio cannot be built where Debian has no liblgpio; the others were, on Debian 13.
    """
    text = (ROOT / "systemd" / "lgpio.lock").read_text(encoding="utf-8")
    machine = {
        "python_version": python,
        "python_full_version": f"{python}.5",
        "platform_machine": processor,
    }
    blocks = re.findall(r"(?m)^([\w.-]+)==[\w.]+ ; (.*) \\$", text)

    assert [each for each, marker in blocks if Marker(marker).evaluate(machine)] == [name]
