"""One rule for the id of a probe: what `check` accepts, the service can open."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.domain.probe_ids import id_problem
from controller.settings.load import examine_settings
from controller.settings.shipped import shipped_config

GOOD = "28-0119a3c4d5e6"


@pytest.mark.parametrize(
    ("probe_id", "usable"),
    [
        (GOOD, True),
        (GOOD.upper(), True),
        ("10-000802b4a7c1", True),
        ("ff-0119a3c4d5e6", False),
        ("+8-0_19a3c4d5e7", False),
        ("00-0119a3c4d5e6", False),
        ("28-000000000000", False),
        ("28-0119a3c4d5e", False),
        ("28 -0119a3c4d5e", False),
        ("\uff12\uff18-0119a3c4d5e6", False),
        ("", False),
    ],
)
def test_check_and_service_judge_an_id_alike(tmp_path: Path, probe_id: str, usable: bool) -> None:
    """`ff-…` and `+8-0_…` passed the check and were refused at the start of the service."""
    text = shipped_config("skerrow-pi.toml").read_text(encoding="utf-8")
    first = next(line for line in text.splitlines() if line.startswith("id = "))
    config = tmp_path / "c.toml"
    config.write_text(text.replace(first, f'id = "{probe_id}"', 1), encoding="utf-8")

    _, problems = examine_settings(config)

    assert (id_problem(probe_id) is None) is usable
    assert any("id" in problem and "found" in problem for problem in problems) is not usable
