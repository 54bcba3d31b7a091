"""What ``coldpin fit`` says of a fit that its figures do not explain."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pytest

from controller.cli.fit import _print
from controller.cli.main import EX_UNAVAILABLE, status_of
from controller.settings.shipped import shipped_config

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


def test_what_a_page_lacks_is_said_before_the_work(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fit takes minutes, and is not thrown away for want of a page."""
    asked: list[tuple[str, str]] = []

    def need(extra: str, *, what: str) -> None:
        asked.append((extra, what))
        if extra == "lookout":
            raise click.exceptions.Exit(EX_UNAVAILABLE)

    monkeypatch.setattr("controller.cli.fit.need", need)
    config = str(shipped_config("larkmoor-laptop.toml"))

    assert status_of(["fit", config, "--html", "page.html"]) == EX_UNAVAILABLE
    assert asked == [("fit", "coldpin fit"), ("lookout", "--html")]
