"""The lowest versions that pyproject.toml allows are stated for all, and tried in CI."""

from __future__ import annotations

import os
import re
import sys
import tomllib
from importlib.metadata import distribution, version
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

from tests.support.machine import demand

ROOT = Path(__file__).parents[1]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS: dict[str, list[str]] = PROJECT["project"]["optional-dependencies"]
LOWEST = (ROOT / ".ci" / "lowest").read_text(encoding="utf-8")
OTHER_MACHINES = {"adafruit-lgpio"}
"""Has ready-made files for a Pi alone."""


def lower_bound(requirement: Requirement) -> Version | None:
    """Return the version that a requirement begins with, None where it states none."""
    bounds = [Version(each.version) for each in requirement.specifier if each.operator == ">="]
    return bounds[0] if len(bounds) == 1 else None


def requirements(texts: list[str]) -> list[Requirement]:
    """Return requirements, those of our own extras in the place of their names."""
    unbounded = []
    for each in map(Requirement, texts):
        if each.name == PROJECT["project"]["name"]:
            unbounded += requirements(
                [text for extra in sorted(each.extras) for text in EXTRAS[extra]]
            )
        else:
            unbounded.append(each)
    return unbounded


EVERY = requirements(
    [*PROJECT["project"]["dependencies"], *(each for texts in EXTRAS.values() for each in texts)]
)


def test_ci_tries_both_ends_of_the_range() -> None:
    """The newest by the README's command, the lowest by a script of its own."""
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()

    assert ".ci/lowest" in lines
    assert "set -euo pipefail" in lines  # so its failure is CI's


@pytest.mark.parametrize("requirement", EVERY, ids=lambda each: each.name)
def test_dependency_states_the_lowest_version_that_was_tried(requirement: Requirement) -> None:
    """Without a lower bound the range begins at a version that nobody tried."""
    assert lower_bound(requirement) is not None


def test_the_script_installs_every_dependency() -> None:
    """All extras, but what has no file for this kind of machine."""
    (extras,) = re.findall(r"-e '\.\[([a-z,]+)\]'", LOWEST)
    installed = requirements(
        PROJECT["project"]["dependencies"] + [t for e in extras.split(",") for t in EXTRAS[e]]
    )

    assert "--resolution lowest-direct" in LOWEST
    assert "--clear" in LOWEST  # what is there already would be kept
    assert "\nunset PYTEST_ADDOPTS" in LOWEST  # .ci/run exports it, for coverage
    assert {each.name for each in EVERY} == (
        {each.name for each in installed} | {"lgpio"} | OTHER_MACHINES  # lgpio by its own line
    )


def in_c() -> set[str]:
    """Return the packages of which the script takes the lowest with a file for this Python."""
    (names,) = re.findall(r"^in_c=\(([a-z -]+)\)$", LOWEST, flags=re.MULTILINE)
    return set(names.split())


@pytest.mark.parametrize(
    "requirement",
    [
        each
        for each in EVERY
        if (each.marker is None or each.marker.evaluate()) and each.name not in OTHER_MACHINES
    ],
    ids=lambda each: each.name,
)
def test_what_is_installed_is_in_the_range(requirement: Requirement) -> None:
    """At its beginning where `.ci/lowest` runs the suite, so that the range is true."""
    name, lowest = requirement.name, lower_bound(requirement)
    if name == "lgpio":
        demand("lgpio")
    assert lowest is not None

    installed = Version(version(name))

    assert requirement.specifier.contains(installed, prereleases=True)
    if "COLDPIN_LOWEST" in os.environ:
        # a Python that came later has ready-made files of later versions only
        later = sys.version_info >= (3, 13) and name.casefold() in {
            *in_c(),
            "playwright",
            "pydantic",
        }
        assert installed == lowest or (later and installed > lowest)


def test_what_is_installed_was_built_by_an_allowed_builder() -> None:
    """The build's own requirement is a range too."""
    (requirement,) = map(Requirement, PROJECT["build-system"]["requires"])
    wheel = distribution("coldpin").read_text("WHEEL")
    assert wheel is not None
    (generator,) = re.findall(r"^Generator: hatchling (\S+)$", wheel, flags=re.MULTILINE)

    assert requirement.specifier.contains(generator)
    if "COLDPIN_LOWEST" in os.environ:
        assert Version(generator) == lower_bound(requirement)
