"""The page of a rehearsal: the forecasts that its picture is drawn from."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from controller.cli import rehearsal_page
from controller.pictures.forecast_chart import PastForecast
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config

BEGAN = datetime(2026, 7, 1, 7, 0, tzinfo=UTC)
FORECASTS: list[dict[str, float | None]] = [
    {"t_s": 0.0, "early_t_s": 7200.0, "swap_due_t_s": 9000.0, "late_t_s": None},
    {"t_s": 3600.0, "early_t_s": None, "swap_due_t_s": None, "late_t_s": None},
]


def drawn(
    monkeypatch: pytest.MonkeyPatch, forecasts: list[dict[str, float | None]]
) -> list[PastForecast]:
    """Return what the picture of a rehearsal with these forecasts is drawn from."""
    given: list[PastForecast] = []
    monkeypatch.setattr(rehearsal_page, "forecast_chart", lambda past, *_, **__: given.extend(past))
    rehearsal: Any = SimpleNamespace(
        lookout=SimpleNamespace(forecasts=forecasts), started=BEGAN,
        settings=read_settings(shipped_config("larkmoor-laptop.toml")),
    )  # fmt: skip
    rehearsal_page._forecasts(rehearsal, [])
    return given


def test_instants_are_drawn_where_they_lie_and_none_where_none_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Seconds of the rehearsal become instants; an open bound stays open."""
    began_s = BEGAN.timestamp()

    assert drawn(monkeypatch, FORECASTS) == [
        PastForecast(
            at_s=began_s,
            early_s=began_s + 7200.0,
            likely_s=began_s + 9000.0,
            late_s=None,
        ),
        PastForecast(at_s=began_s + 3600.0, early_s=None, likely_s=None, late_s=None),
    ]


def test_of_a_single_forecast_no_picture_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """It has no course."""
    assert drawn(monkeypatch, FORECASTS[:1]) == []
