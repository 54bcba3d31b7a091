"""Where an instance keeps its files."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from controller.domain import places


@pytest.fixture(autouse=True)
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine of its own, on which the service is not installed."""
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "INVOCATION_ID"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home"))
    for name in ("CONFIGURATIONS", "STATES", "RUNTIME"):
        monkeypatch.setattr(places, name, tmp_path / name.lower())
    return tmp_path


def test_a_persons_own_chamber_lies_in_their_home(machine: Path) -> None:
    """A configuration elsewhere, no service: below XDG_STATE_HOME, by the file's name."""
    config = machine / "loft.toml"

    assert places.named_state_directory(config) == machine / "home" / "coldpin" / "loft"


def test_an_installed_chamber_lies_with_the_service(machine: Path) -> None:
    """As soon as its folder of states is there, whether that chamber ever ran or not."""
    config = places.CONFIGURATIONS / "loft.toml"
    assert places.named_state_directory(config).is_relative_to(machine / "home")

    places.STATES.mkdir()

    assert places.named_state_directory(config) == places.STATES / "loft"
    assert places.named_state_directory(machine / "attic.toml").is_relative_to(machine / "home")


def test_a_copy_of_an_installed_chamber_finds_its_records(machine: Path) -> None:
    """A file of the same name elsewhere means the chamber whose folder is there."""
    (places.STATES / "loft").mkdir(parents=True)

    assert places.named_state_directory(machine / "loft.toml") == places.STATES / "loft"


def test_what_systemd_says_comes_first(machine: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd.exec(5): STATE_DIRECTORY and RUNTIME_DIRECTORY, the first of several."""
    monkeypatch.setenv("STATE_DIRECTORY", f"{machine}/one:{machine}/two")
    monkeypatch.setenv("RUNTIME_DIRECTORY", f"{machine}/run:{machine}/other")

    place = places.state_directory(machine / "loft.toml")

    assert place == machine / "one"
    assert place.is_dir()
    assert stat.S_IMODE(place.stat().st_mode) & 0o027 == 0
    assert places.runtime_directory(place) == machine / "run"


def test_the_status_lies_in_memory_where_the_service_runs(machine: Path) -> None:
    """Beside the records where it does not."""
    state = machine / "loft"
    assert places.runtime_directory(state) == state

    (places.RUNTIME / "loft").mkdir(parents=True)

    assert places.runtime_directory(state) == places.RUNTIME / "loft"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")
def test_a_folder_that_root_makes_is_the_services(machine: Path) -> None:
    """Owner and group of the folder of states, its group may read, others nothing."""
    places.STATES.mkdir()
    os.chown(places.STATES, 54_321, 54_322)

    place = places.state_directory(places.CONFIGURATIONS / "loft.toml")

    found = place.stat()
    assert (found.st_uid, found.st_gid) == (54_321, 54_322)
    assert stat.S_IMODE(found.st_mode) == places.STATE_MODE


@pytest.mark.parametrize(
    ("named", "owner"),
    [
        (None, None),
        ("records.sqlite", None),
        ("{states}/loft/records.sqlite", None),
        ("{states}/attic/records.sqlite", "attic"),
        ("{states}/loft/../attic/records.sqlite", "attic"),
        ("{states}/records.sqlite", None),
        ("/srv/attic/records.sqlite", None),
    ],
)
def test_records_of_another_instance_are_told(
    machine: Path, named: str | None, owner: str | None
) -> None:
    """Only a path into another chamber's folder is foreign."""
    config = machine / "loft.toml"
    path = None if named is None else named.format(states=places.STATES)

    assert places.foreign_instance(path, config) == owner


def test_configurations_are_the_files_with_a_chamber(machine: Path) -> None:
    """Relay modules and figures of a fit lie there too; the order is that of the names."""
    for name, text in (("b", "[chamber]\n"), ("a", "[chamber]\n"), ("relays", "[module]\n")):
        (machine / f"{name}.toml").write_text(text, encoding="utf-8")

    found = places.configurations_in(machine)

    assert [path.name for path in found] == ["a.toml", "b.toml"]
