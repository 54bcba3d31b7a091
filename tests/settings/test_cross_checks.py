"""Keys that must fit each other, at the very limit."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.settings.load import examine_settings, read_settings

LAPTOP = Path(__file__).parents[2] / "config" / "larkmoor-laptop.toml"


def with_readings(folder: Path, *lines: str) -> Path:
    """Write the laptop's example with a table [readings] of its own."""
    text = LAPTOP.read_text(encoding="utf-8")
    assert "[readings]" not in text
    config = folder / "c.toml"
    config.write_text("\n".join((text, "[readings]", *lines)) + "\n", encoding="utf-8")
    return config


@pytest.mark.parametrize(
    ("every", "least"), [("10 s", 30.0), ("5 s", 15.0), ("7.5 s", 22.5), ("20 s", 60.0)]
)
def test_a_reading_may_go_stale_after_three_chances_to_renew_it(
    tmp_path: Path, every: str, least: float
) -> None:
    """Three times `every` is taken, a tenth of a second less is refused and says why."""

    def problems(stale_after_s: float) -> list[str]:
        result = examine_settings(
            with_readings(tmp_path, f'every = "{every}"', f'stale_after = "{stale_after_s:g} s"')
        )[1]
        return [problem for problem in result if "stale_after" in problem]

    assert problems(least) == []
    (refused,) = problems(least - 0.1)
    assert "three times readings.every" in refused


def test_a_probe_is_lost_after_a_minute_where_nothing_else_is_wanted(tmp_path: Path) -> None:
    """The default, and that it passes its own check."""
    readings = read_settings(LAPTOP).readings

    assert (readings.every, readings.stale_after) == (10.0, 60.0)
