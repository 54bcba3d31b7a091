"""`coldpin chambers`: a folder of configurations, and what a broker knows."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from click.testing import CliRunner
from paho.mqtt.enums import CallbackAPIVersion

from controller.cli.main import EX_CONFIG, EX_UNAVAILABLE, EX_USAGE, coldpin, status_of
from controller.domain.published_forecast import PublishedForecast
from controller.lookout.broker.documents import Messages
from controller.lookout.broker.identity import Identity, RunMode
from controller.settings.shipped import shipped_config
from tests.lookout.houses import put_status, snapshot, status
from tests.support.broker import RealBroker, free_port

LAPTOP = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two configurations, a relay list and state below XDG_STATE_HOME."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    configs = tmp_path / "configs"
    configs.mkdir()
    for name in ("shelf", "loft"):
        (configs / f"{name}.toml").write_text(LAPTOP, encoding="utf-8")
        (tmp_path / "home" / "coldpin" / name).mkdir(parents=True)
    (configs / "relay-modules.toml").write_text("", encoding="utf-8")
    return configs


def test_a_folder_is_put_in_order(folder: Path, tmp_path: Path) -> None:
    """The silent one first; other files of the folder are no chambers."""
    put_status(tmp_path / "home" / "coldpin" / "shelf", status(chamber="hall shelf"))

    ran = CliRunner().invoke(coldpin, ["chambers", str(folder), "--json"], catch_exceptions=False)

    document = json.loads(ran.stdout)
    assert [each["instance"] for each in document["chambers"]] == ["loft", "shelf"]
    assert document["chambers"][0]["silent"]
    assert document["chambers"][1]["air_c"] == 16.2
    # the example describes its freezer, so its packs are budgeted without a word in [lookout]
    assert [each["hours"] for each in document["freezer"]] == [24.0, 48.0]
    assert [each["keeps_up"] for each in document["freezer"]] == [None, None]
    assert [each["unknown"] for each in document["freezer"]] == [["hall shelf", "hall shelf"]] * 2


def test_a_chamber_counts_once_however_often_it_is_named(folder: Path) -> None:
    """By itself and by its folder: its packs would be planned twice."""
    named = [str(folder / "shelf.toml"), str(folder), str(folder / "loft.toml")]

    ran = CliRunner().invoke(coldpin, ["chambers", *named, "--json"], catch_exceptions=False)

    document = json.loads(ran.stdout)
    assert sorted(each["instance"] for each in document["chambers"]) == ["loft", "shelf"]


def test_a_file_that_cannot_be_used_hides_no_chamber(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While one is edited, each chamber may need somebody: the services go on."""
    for name in ("shelf", "loft"):
        put_status(tmp_path / "home" / "coldpin" / name, status(chamber=f"the {name}"))
    (folder / "loft.toml").write_text("[chamber]\nname = 3\n", encoding="utf-8")

    assert status_of(["chambers", str(folder), "--json"]) == EX_CONFIG

    shown = capsys.readouterr()
    assert "loft.toml cannot be used" in shown.err
    listed = json.loads(shown.out)["chambers"]
    assert {each["name"]: each["silent"] for each in listed} == {
        "the shelf": False, "the loft": False
    }  # fmt: skip

    (folder / "shelf.toml").write_text("", encoding="utf-8")
    assert status_of(["chambers", str(folder / "shelf.toml"), str(folder / "loft.toml")]) == 78
    assert capsys.readouterr().out == ""


def test_people_get_a_table_and_the_freezer(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a narrow terminal too."""
    monkeypatch.setenv("COLUMNS", "60")

    ran = CliRunner().invoke(
        coldpin, ["chambers", str(folder), "--freezer", "8"], catch_exceptions=False
    )

    assert ran.exit_code == 0
    assert "no data" in ran.output
    assert "How many packs hall shelf and hall shelf need" in ran.output
    assert max(map(len, ran.output.splitlines())) <= 60


def test_an_empty_folder_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing in it is a configuration."""
    assert status_of(["chambers", str(tmp_path)]) == EX_CONFIG
    assert "found no configuration" in capsys.readouterr().err


def test_without_a_broker_or_with_one_that_is_away_it_is_reported(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No traceback, the key or the reason."""
    config = folder / "shelf.toml"
    assert status_of(["chambers", str(config), "--broker"]) == EX_CONFIG
    assert "mqtt.host" in capsys.readouterr().err

    config.write_text(
        f'{LAPTOP}\n[mqtt]\nhost = "127.0.0.1"\nport = {free_port()}\n', encoding="utf-8"
    )
    assert status_of(["chambers", str(config), "--broker"]) == EX_UNAVAILABLE
    errors = capsys.readouterr().err
    assert errors.startswith("The broker at 127.0.0.1, port ")
    assert "refused" in errors


def test_what_a_broker_keeps_is_listed(folder: Path, tmp_path: Path) -> None:
    """Chambers of other machines, from their retained documents."""
    broker = RealBroker(tmp_path)
    publisher = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    publisher.connect("127.0.0.1", broker.port)
    publisher.loop_start()
    now = datetime.now(UTC)
    for name, hours in (("barn", 8), ("cellar", 5)):
        messages = Messages(
            Identity(instance=name, machine="0123abcd", mode=RunMode.LIVE),
            chamber=f"the {name}",
            zone=UTC,
        )
        at = now + timedelta(hours=hours)
        known = snapshot(
            now, forecast=PublishedForecast(as_of=now, basis="learned", early=at, swap_due=at)
        )
        for what, document in (
            ("state", messages.state(known)), ("forecast", messages.forecast(known))
        ):  # fmt: skip
            publisher.publish(
                f"coldpin/{name}/0123abcd/{what}", document, qos=1, retain=True
            ).wait_for_publish(10)
    config = folder / "shelf.toml"
    config.write_text(
        f'{LAPTOP}\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n', encoding="utf-8"
    )

    ran = CliRunner().invoke(
        coldpin, ["chambers", str(config), "--broker", "--json"], catch_exceptions=False
    )

    publisher.disconnect()
    publisher.loop_stop()
    broker.stop()
    listed = json.loads(ran.stdout)["chambers"]
    assert [each["instance"] for each in listed] == ["cellar", "barn"]


def test_nothing_installed_is_reported_with_what_to_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A laptop has no folder of chambers; that is no fault of a file."""
    monkeypatch.setattr("controller.domain.places.CONFIGURATIONS", tmp_path / "none")

    assert status_of(["chambers"]) == EX_USAGE

    assert "name configurations, or a folder of them" in capsys.readouterr().err
