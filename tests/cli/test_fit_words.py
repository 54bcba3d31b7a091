"""What ``coldpin fit`` says of a fit that its figures do not explain."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.cli.fit import _print

GOOD: dict[str, Any] = {
    "fitted": [], "not_told": [], "adjusted": [], "days": 7.0, "whole_sets": 9,
    "air_misfit_k": 0.5, "reservoir_misfit_k": 0.5,
}  # fmt: skip


@pytest.mark.parametrize(
    ("misfits", "poor"),
    [({}, False), ({"air_misfit_k": 0.51}, True), ({"reservoir_misfit_k": 0.51}, True)],
    ids=["both-at-half-a-kelvin", "the-air", "the-reservoir"],
)
def test_a_fit_that_misses_by_more_than_half_a_kelvin_is_called_poor(
    misfits: dict[str, float], poor: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of air or reservoir; with what it may come from."""
    _print({**GOOD, **misfits}, tmp_path / "c.toml", tmp_path / "c-fit.toml")

    assert ("That is a poor fit: something happened" in capsys.readouterr().out) is poor
