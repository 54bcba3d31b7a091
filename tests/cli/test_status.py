"""``coldpin status``: its exit status, and what it does not wait for."""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
from contextlib import redirect_stdout
from dataclasses import replace
from datetime import timedelta
from importlib import metadata
from pathlib import Path
from typing import Literal

import pytest

from controller.cli import versions
from controller.cli.main import status_of
from controller.cli.status import _print_for_people, report_of, version_rows
from controller.domain.alarm_guide import alarm_title, guide_of
from controller.domain.published_forecast import FORECAST_CODEC
from controller.records.forecast_file import FORECAST
from controller.records.snapshot import Snapshot
from controller.service.kept_wiring import KEPT_WIRING
from controller.settings.brief import BriefSettings, read_brief_settings
from controller.settings.load import read_settings
from tests.lookout.houses import NOW, alarm, forecast, probes, put_status, snapshot, status

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
    pytest.param({"alarms": ["frequent_starts"]}, 0, id="a-note"),
    pytest.param({"alarms": ["frequent_starts", "long_run"]}, 1, id="a-note-and-an-alarm"),
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


@pytest.mark.parametrize(
    ("words", "leaves_out"),
    [
        (["status"], {"controller.thermal"}),
        (["status", "--json"], {"controller.thermal"}),
        (["swap"], set()),
        (["pause"], {"controller.thermal"}),
        (["ack"], {"controller.thermal"}),
    ],
    ids=" ".join,
)
def test_a_daily_command_loads_only_what_it_uses(
    place: Path, words: list[str], leaves_out: set[str]
) -> None:
    """It is given every minute by scripts, and by people who wait, on a small computer."""
    put_status(place, status(boottime_s=1.0))
    (place / FORECAST).write_text(FORECAST_CODEC.text(forecast(NOW)), encoding="utf-8")
    script = (
        "import sys; from controller.cli.main import status_of;"
        f"status_of([{words[0]!r}, {str(LAPTOP)!r}, *{words[1:]!r}]);"
        "print(*sys.modules, file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True,
        env={"STATE_DIRECTORY": str(place)},
    )  # fmt: skip

    assert ran.stdout
    loaded = set(ran.stderr.split())
    assert not loaded & {"rich", "controller.settings.models", "controller.core", "numpy"}
    assert not loaded & leaves_out


def screen(of: Snapshot, unit: Literal["C", "F"] = "C", columns: int = 400) -> str:
    """Return what people see of a snapshot, without colours, in a wide terminal."""
    settings = BriefSettings(unit=unit, records=None, air_high_c=20.0, air_low_c=11.0)
    text = io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(text):
        patch.setenv("COLUMNS", str(columns))
        _print_for_people(report_of(of, Path("/nowhere"), settings), of, settings)
    return text.getvalue()


def test_the_screen_says_that_all_is_well() -> None:
    """The answer first, then the readings with their band, the pump, and the first run."""
    shown = screen(snapshot())

    assert shown.splitlines()[:2] == ["hall shelf", "In band: air 16.2 °C (band 15.5 to 17.0 °C)."]
    assert re.search(r"^Reservoir +4\.4 °C", shown, re.MULTILINE)
    assert re.search(r"^Pump, fan +pump off, fan off", shown, re.MULTILINE)
    assert re.search(r"^First run +none on record", shown, re.MULTILINE)
    assert "4 packs" in shown
    assert "None" not in shown


@pytest.mark.parametrize("columns", [1, 30, 50, 80])
def test_a_narrow_screen_loses_no_text(columns: int) -> None:
    """Long lines go on below themselves, values in their own column; 10 columns at the least."""
    shown = screen(snapshot(), columns=columns)

    wide = screen(snapshot())
    assert re.sub(r"\s", "", shown) == re.sub(r"\s", "", wide)
    if columns > 1:
        assert max(map(len, shown.splitlines())) <= columns


def test_the_screen_has_the_configurations_unit() -> None:
    """16.2 °C is 61.2 °F; no other unit beside it."""
    shown = screen(snapshot(), "F")

    assert "61.2 °F" in shown
    assert "°C" not in shown


def test_the_screen_begins_with_the_worst_alarm_and_what_to_do() -> None:
    """Every other alarm follows with its own action; which of them were seen is said."""
    alarms = (alarm("probe_lost", "room", acknowledged=True), alarm("air_high"))
    lines = screen(snapshot(alarms=alarms, probes=probes(16.2, 13.0))).splitlines()

    assert lines[1].startswith("Air too warm: 16.2 °C (limit 20.0 °C)")
    assert lines[2] == guide_of("air_high").action
    other = alarm_title("probe_lost", "room")
    assert any(line.startswith(other) for line in lines[3:])
    assert [line for line in lines if line.startswith("Seen: ")] == [f"Seen: {other}."]


def test_the_screen_says_by_when_packs_are_changed() -> None:
    """A time to act first, then the bounds; without a forecast it says so."""
    due = screen(snapshot(forecast=forecast(NOW + timedelta(hours=2))))

    assert re.search(r"^Change 4 packs by \d\d:\d\d", due, re.MULTILINE)
    assert re.search(r"until \d\d:\d\d.*, most likely until \d\d:\d\d", due)
    assert "No forecast yet" in screen(snapshot())


def test_the_screen_of_a_silent_service_praises_nothing() -> None:
    """Old data are called old; without any it says that nothing runs."""
    old = screen(snapshot(silent=True))
    assert old.splitlines()[1].startswith("No data for 6 min 40 s")
    assert "In band" not in old

    never = screen(replace(snapshot(silent=True), status=None, age_s=None))
    assert never.splitlines()[0] == "No data: coldpin is not running on this machine."
    assert "Reservoir" not in never


@pytest.mark.parametrize(
    ("runs", "words"),
    [
        ("9.9.9", "9.9.9 runs, VERSION is installed: restart the service to change over"),
        ("VERSION", "VERSION"),
    ],
)
def test_which_release_runs_and_which_is_installed(runs: str, words: str) -> None:
    """After an update without a restart the two differ, and nobody would know."""
    version = metadata.version("coldpin")

    shown = version_rows(runs.replace("VERSION", version), version)

    assert shown == [("Version", words.replace("VERSION", version))]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        ({}, "loft: VERSION runs"),
        ({"version": "9.9.9"}, "loft: 9.9.9 runs, VERSION is installed: restart the service to"),
        ({"boottime_s": 1.0}, None),
        ({"version": ""}, None),
    ],
    ids=["the-same", "another", "silent-for-long", "does-not-say"],
)
def test_version_says_what_is_installed_and_what_runs(
    place: Path, monkeypatch: pytest.MonkeyPatch, change: dict[str, object], line: str | None
) -> None:
    """`coldpin --version`, after an update without a restart most of all."""
    (place / "loft.toml").write_text("[chamber]\n", encoding="utf-8")
    monkeypatch.setattr(versions, "CONFIGURATIONS", place)
    version = metadata.version("coldpin")
    put_status(place, status(**{"version": version, **change}))

    first, *others = versions.version_lines()

    assert first == f"coldpin, version {version}"
    assert len(others) == (line is not None)
    assert all(each.startswith(str(line).replace("VERSION", version)) for each in others)


def test_the_report_names_both_releases(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Also for scripts."""
    put_status(place, status(version="9.9.9"))

    status_of(["status", str(LAPTOP), "--json"])

    document = json.loads(capsys.readouterr().out)
    assert document["status"]["version"] == "9.9.9"
    assert document["installed"] == metadata.version("coldpin")


@pytest.mark.parametrize("runs", [True, False], ids=["runs", "never-run"])
def test_what_is_amiss_with_the_computer_is_shown(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], runs: bool
) -> None:
    """To people and to scripts; the chip is opened only where no service holds it open."""
    asked: list[dict[str, object]] = []

    def findings(_records: Path, **how: object) -> list[str]:
        asked.append(how)
        return ["The hardware watchdog is not in use."]

    monkeypatch.setattr("controller.cli.status.host_findings", findings)
    load = {"name": "pump", "driver": "gpio", "options": {"pin": 17}}
    (place / KEPT_WIRING).write_text(json.dumps([load]), encoding="utf-8")
    if runs:
        put_status(place, status())

    assert status_of(["status", str(LAPTOP)]) == (0 if runs else 2)
    assert "The hardware watchdog is not in use." in capsys.readouterr().out
    status_of(["status", str(LAPTOP), "--json"])
    assert json.loads(capsys.readouterr().out)["computer"]
    assert asked == [{"switches": True, "chip": not runs}] * 2
