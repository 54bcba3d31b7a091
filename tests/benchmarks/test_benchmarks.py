"""Benchmarks are run by hand; that each can be started at all is held here."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

NAMES = sorted(
    path.stem
    for path in Path(__file__).parent.glob("*.py")
    if not path.stem.startswith(("test_", "_"))
)


@pytest.mark.parametrize("name", NAMES)
def test_a_benchmark_fits_the_package(name: str) -> None:
    """Its imports, and what it makes while it is imported, agree with the package of today."""
    try:
        module = importlib.import_module(f"tests.benchmarks.{name}")
    except ModuleNotFoundError as missing:
        if missing.name is not None and missing.name.split(".")[0] in {"controller", "tests"}:
            raise
        pytest.skip(f"needs the package {missing.name}, which is not installed")

    assert module.__doc__
