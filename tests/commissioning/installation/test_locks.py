"""The locks name what pyproject.toml asks for, each package with hashes."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

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
