"""A fit named by a configuration: its figures are used, and what is wrong with it is said."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.errors import SettingsError
from controller.service.wiring import plan_of
from controller.settings.fit_file import FittedFigure, fit_text
from controller.settings.load import read_settings
from controller.settings.plant_sources import assumed_figures
from controller.settings.shipped import shipped_config

LAPTOP = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")


def config_naming(folder: Path, fit: str | None) -> Path:
    """Return a configuration that names a fit."""
    path = folder / "shelf.toml"
    path.write_text(LAPTOP + '\n[plant]\nfitted = "shelf-fit.toml"\n', encoding="utf-8")
    if fit is not None:
        (folder / "shelf-fit.toml").write_text(fit, encoding="utf-8")
    return path


def test_what_is_written_is_read(tmp_path: Path) -> None:
    """Figures take the place of the configuration's; the others stay; none counts as assumed."""
    text = fit_text(
        [
            FittedFigure(part="chamber", key="wall_u_w_m2k", value=0.8123456, note="W/(m²·K)"),
            FittedFigure(part="fine", key="pack_film_w_m2k", value=130.0, note="W/(m²·K)"),
        ],
        made=datetime(2026, 8, 1, tzinfo=UTC),
        about={"configuration": 'a "strange" name', "days": 6.5},
    )

    settings = read_settings(config_naming(tmp_path, text))
    plain = read_settings(shipped_config("larkmoor-laptop.toml"))

    spec = settings.plant_spec()
    assert spec.chamber.wall_u_w_m2k == 0.812346
    assert spec.fine.pack_film_w_m2k == 130.0
    assert spec.coil == plain.plant_spec().coil
    assumed = {each.key for each in assumed_figures(settings)}
    assert "plant.chamber.wall_u_w_m2k" not in assumed


def test_a_wall_by_name_gives_way(tmp_path: Path) -> None:
    """Both at once would be refused; what was measured holds."""
    path = config_naming(tmp_path, "[plant.chamber]\nwall_u_w_m2k = 0.9\n")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("wall_u_w_m2k = 0.51", 'wall = "foam-board-25"'), encoding="utf-8")

    assert read_settings(path).plant_spec().chamber.wall_u_w_m2k == 0.9


@pytest.mark.parametrize(
    ("fit", "says"),
    [
        (None, "cannot be read"),
        ("[plant.coil]\nua_air_w_k = -3.0\n", "ua_air_w_k"),
        ("[plant.coil]\nua_air = 3.0\n", "unknown key"),
        ("[plant]\ncoil = 3\n", "plant.coil"),
        ("about = 3\n[plant.coil]\nua_air_w_k = 8.0\n", "about"),
        ("hello", "is not TOML"),
        ("[about]\n", "plant"),
    ],
)
def test_a_fit_that_cannot_be_used_is_named(tmp_path: Path, fit: str | None, says: str) -> None:
    """By file and by what is wrong; the control process, which needs none, goes on."""
    path = config_naming(tmp_path, fit)

    with pytest.raises(SettingsError) as caught:
        read_settings(path, needs_fit=True)

    assert "shelf-fit.toml" in str(caught.value)
    assert says in str(caught.value)
    assert plan_of(path).settings.chamber.name
    assert read_settings(path).plant_spec().chamber.wall_u_w_m2k == 0.51
