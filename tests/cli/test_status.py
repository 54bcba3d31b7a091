"""``coldpin status``: its exit status, and what it does not wait for."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from controller.cli.main import status_of
from controller.cli.status import StatusReport, _print_for_people
from controller.domain.alarm_guide import alarm_title, guide_of
from controller.settings.brief import read_brief_settings
from controller.settings.load import read_settings
from tests.lookout.houses import NOW, alarm, forecast, probes, put_status, status

ROOT = Path(__file__).parents[2]
LAPTOP = ROOT / "config" / "larkmoor-laptop.toml"
OTHER_BOOT = "3f1c0000-0000-4000-8000-000000000000"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The state directory of an instance."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    return tmp_path


ANSWERS = [
    pytest.param({}, 0, id="well"),
    pytest.param({"alarms": ["air_high"]}, 1, id="an-alarm"),
    pytest.param({"alarms": ["air_high", "swap_due"]}, 1, id="two-alarms"),
    pytest.param({"boottime_s": 1.0}, 2, id="silent-for-long"),
    pytest.param({"boottime_s": 1.0, "alarms": ["air_high"]}, 2, id="silent-with-an-old-alarm"),
    pytest.param({"boot_id": OTHER_BOOT}, 2, id="silent-since-the-boot"),
    pytest.param(None, 2, id="never-run"),
]


@pytest.mark.parametrize("as_json", [False, True], ids=["people", "json"])
@pytest.mark.parametrize(("changes", "expected"), ANSWERS)
def test_the_exit_status_is_the_answer(
    place: Path, changes: dict[str, object] | None, expected: int, as_json: bool
) -> None:
    """0 all is well, 1 an alarm stands, 2 no answer: a script may rely on it."""
    if changes is not None:
        names = changes.get("alarms", [])
        assert isinstance(names, list)
        put_status(place, status(**{**changes, "alarms": [alarm(name) for name in names]}))

    assert status_of(["status", str(LAPTOP), *(["--json"] if as_json else [])]) == expected


def test_an_alarm_that_was_seen_still_stands(place: Path) -> None:
    """Seen is not over."""
    put_status(place, status(alarms=[alarm("air_high", acknowledged=True)]))

    assert status_of(["status", str(LAPTOP)]) == 1


@pytest.mark.parametrize("name", ["larkmoor-laptop.toml", "skerrow-pi.toml"])
@pytest.mark.parametrize(
    "more", ["", '[display]\nunit = "F"', '[records]\npath = "/disk/r.sqlite"'],
    ids=["as-it-is", "unit", "records"],
)  # fmt: skip
def test_the_brief_settings_are_the_settings(tmp_path: Path, name: str, more: str) -> None:
    """The few keys that are read without judging the file mean the same as in the whole of it."""
    text = (ROOT / "config" / name).read_text(encoding="utf-8")
    if more:
        text = re.sub(r"^\[(display|records)\]\n(?:[^\[\n].*\n)*", "", text, flags=re.MULTILINE)
    config = tmp_path / "c.toml"
    config.write_text(f"{text}\n{more}\n", encoding="utf-8")

    brief, whole = read_brief_settings(config), read_settings(config)

    assert (brief.unit, brief.records) == (whole.display.unit, whole.records.path)


def test_status_is_shown_while_the_file_cannot_be_used(
    place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The service goes on with what it read; a key that is wrong by now hides nothing."""
    config = tmp_path / "c.toml"
    config.write_text(LAPTOP.read_text(encoding="utf-8") + "\n[zigzag]\n", encoding="utf-8")
    put_status(place, status())

    assert status_of(["check", str(config)]) == 78
    assert status_of(["status", str(config), "--json"]) == 0
    assert json.loads(capsys.readouterr().out.splitlines()[-1])["status"]["stage"]


def test_a_file_that_is_no_toml_is_named(
    place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where nothing can be read of it there is nothing to go by."""
    config = tmp_path / "c.toml"
    config.write_text("no toml", encoding="utf-8")

    assert status_of(["status", str(config)]) == 78
    assert str(config) in capsys.readouterr().err


def test_json_loads_neither_the_models_nor_what_paints(place: Path) -> None:
    """It is asked every minute by scripts, on a small computer."""
    script = (
        "import sys; from controller.cli.main import status_of;"
        f"status_of(['status', {str(LAPTOP)!r}, '--json']);"
        "print(*sys.modules, file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True,
        env={"STATE_DIRECTORY": str(place)},
    )  # fmt: skip

    assert json.loads(ran.stdout)["silent"] is True
    loaded = set(ran.stderr.split())
    assert not loaded & {"rich", "controller.settings.models", "controller.thermal", "numpy"}


def screen(report: StatusReport, unit: str = "C") -> str:
    """Return what people see of a report, without colours."""
    text = io.StringIO()
    _print_for_people(Console(file=text, width=100, highlight=False), report, unit)
    return text.getvalue()


def report(**changes: Any) -> StatusReport:
    """Return the report of a chamber that is well, 2 s old."""
    well = StatusReport(
        silent=False, age_s=2.0, last_swap=None, first_run=None, forecast=None, status=status()
    )
    return replace(well, **changes)


def test_the_screen_says_that_all_is_well() -> None:
    """Readings with the band, the pump, how old it is, and no alarm."""
    shown = screen(report())

    assert "hall shelf" in shown
    assert "16.20 °C (band 15.50 °C to 17.00 °C)" in shown
    assert re.search(r"pump, fan +off, off", shown)
    assert "2 s ago" in shown
    assert re.search(r"first run +none on record", shown)
    assert "No alarm stands." in shown
    assert "swap due" not in shown


def test_the_screen_names_the_probe_that_hangs_at_a_place() -> None:
    """Its id, where it has one."""
    both = probes()
    known = replace(both, air=replace(both.air, id="28-0a1b2c3d4e01"))
    shown = screen(report(status=status(probes=known)))

    assert re.search(r"air +16.20 .*, probe 28-0a1b2c3d4e01", shown)
    assert shown.count("probe 28-") == 1
    assert "None" not in shown


def test_the_screen_has_the_configurations_unit() -> None:
    """16.2 °C is 61.16 °F."""
    assert "61.16 °F" in screen(report(), "F")
    assert "°C" not in screen(report(), "F")


def test_the_screen_names_each_alarm_and_what_to_do() -> None:
    """With whether it was seen; nothing else claims that all is well."""
    alarms = (alarm("air_high"), alarm("probe_lost", "room", acknowledged=True))
    shown = screen(report(status=status(alarms=alarms)))

    for each in alarms:
        assert alarm_title(each.name, each.about) in shown
        assert " ".join(guide_of(each.name).action.split()) in " ".join(shown.split())
    assert shown.count(", seen") == 1
    assert "No alarm stands." not in shown


def test_the_screen_says_when_the_packs_are_due() -> None:
    """The time and its bounds; nothing where the forecast has no time."""
    due = forecast(NOW + timedelta(hours=2))

    assert re.search(r"swap due +.*17:00 .*, likely 16:00 to 18:00", screen(report(forecast=due)))
    assert "swap due" not in screen(report(forecast=replace(due, swap_due=None)))
    assert "likely" not in screen(report(forecast=replace(due, early=None)))


def test_the_screen_of_a_silent_service_praises_nothing() -> None:
    """Old data are called old; without any there is one plain sentence."""
    shown = screen(report(silent=True, age_s=400.0))
    assert "coldpin is not running" in shown
    assert "6 min 40 s ago" in shown
    assert "No alarm stands." not in shown
    assert "before the last boot" in screen(report(silent=True, age_s=None))

    never = screen(report(silent=True, age_s=None, status=None))
    assert never.count("\n") == 1
    assert "no data yet" in never
