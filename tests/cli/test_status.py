"""``coldpin status``: its exit status, and what it does not wait for."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from controller.cli.main import status_of
from controller.settings.brief import read_brief_settings
from controller.settings.load import read_settings
from tests.lookout.houses import alarm, put_status, status

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
