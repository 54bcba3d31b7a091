"""Who owns what a command wrote: run by root, still the chamber's service."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.cli import requests
from controller.cli.main import status_of
from controller.cli.rights import as_owner_of
from controller.domain import places
from controller.domain.places import why_not_allowed
from controller.records.requests_file import REQUESTS
from controller.settings.shipped import shipped_config
from tests.support.machine import needs

SERVICE = 65_534
"""A user whom every machine has, in the place of the service."""


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """A folder that other users may pass through.

    Pytest keeps its own to itself, and closes it anew whenever another run of it begins.
    """
    with tempfile.TemporaryDirectory(prefix="coldpin-rights-") as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


def ran(line: str, *, place: Path) -> int:
    """Run a command twice, first in a folder of root's.

    What it imports late is loaded by then: the service's user may not read the Python that the
    tests run in, as it may on a Pi.
    """
    warm = place.with_name("warm")
    warm.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STATE_DIRECTORY", str(warm))
        status_of(line.split())
    return status_of(line.split())


@pytest.fixture(autouse=True)
def no_service(monkeypatch: pytest.MonkeyPatch) -> None:
    """No person's command is a service of systemd, also where one runs these tests."""
    monkeypatch.delenv("INVOCATION_ID", raising=False)


@pytest.fixture
def chamber(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A configuration whose state directory is another user's; returns the configuration."""
    place = tmp_path / "state"
    place.mkdir()
    os.chown(place, SERVICE, SERVICE)
    place.chmod(places.STATE_MODE)
    monkeypatch.setenv("STATE_DIRECTORY", str(place))
    config = tmp_path / "loft.toml"
    config.write_text(shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8"))
    return config


def owners(folder: Path) -> set[tuple[int, int]]:
    """Return user and group of all that lies below a folder."""
    return {(path.stat().st_uid, path.stat().st_gid) for path in folder.rglob("*")}


@needs("root")
def test_what_root_writes_is_the_owners_and_root_is_root_again(tmp_path: Path) -> None:
    """Effective user and groups, for as long as it lasts."""
    os.chown(tmp_path, SERVICE, SERVICE)
    before = (os.geteuid(), os.getegid(), os.getgroups())

    with contextlib.suppress(FileExistsError), as_owner_of(tmp_path):
        (tmp_path / "made").mkdir()
        (tmp_path / "made").mkdir()

    assert owners(tmp_path) == {(SERVICE, SERVICE)}
    assert (os.geteuid(), os.getegid(), os.getgroups()) == before


def history(folder: Path) -> Path:
    """Return a file in a folder of the person's own: the service's user may not read it."""
    file = folder / "private" / "history.csv"
    file.parent.mkdir(mode=0o700)
    file.write_text("time,air_c,swap_packs\n2026-07-01T00:00:00+00:00,16,4\n", encoding="utf-8")
    return file


@needs("root")
@pytest.mark.parametrize(
    "command",
    ["swap CONFIG --packs 4", "stage CONFIG pinning", "pause CONFIG", "ack CONFIG",
     "lookout CONFIG --new-password", "import CONFIG --csv CSV"],
)  # fmt: skip
def test_a_command_with_sudo_leaves_nothing_of_roots(
    chamber: Path, tmp_path: Path, command: str
) -> None:
    """The first who writes is root, into a folder that only the service's user owns."""
    line = command.replace("CONFIG", str(chamber)).replace("CSV", str(history(tmp_path)))

    assert ran(line, place=tmp_path / "state") == 0

    assert owners(tmp_path / "state") == {(SERVICE, SERVICE)}


@needs("root")
def test_a_restore_with_sudo_belongs_to_the_service(chamber: Path, tmp_path: Path) -> None:
    """And the configuration is root's, readable by the service's group."""
    archive = tmp_path / "loft.tar.gz"
    place = tmp_path / "state"
    assert ran(f"swap {chamber} --packs 4", place=place) == 0
    assert ran(f"lookout {chamber} --new-password", place=place) == 0
    assert status_of(["backup", str(chamber), str(archive), "--with-secrets"]) == 0
    for path in (tmp_path / "state").rglob("*.sqlite"):
        path.unlink()

    assert status_of(["restore", str(chamber), str(archive), "--replace"]) == 0

    assert owners(tmp_path / "state") == {(SERVICE, SERVICE)}
    assert (tmp_path / "state" / REQUESTS).stat().st_mode & 0o777 == 0o660
    assert (chamber.stat().st_uid, chamber.stat().st_gid) == (0, SERVICE)
    assert chamber.stat().st_mode & 0o777 == 0o640


@needs("root")
def test_a_chamber_that_never_ran_has_its_folder_where_its_service_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not in root's home; it belongs to whom the folder above belongs."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setattr(places, "CONFIGURATIONS", tmp_path / "etc")
    monkeypatch.setattr(places, "STATES", tmp_path / "states")
    (tmp_path / "states").mkdir()
    os.chown(tmp_path / "states", SERVICE, SERVICE)

    place = places.state_directory(tmp_path / "etc" / "loft.toml")

    assert place == tmp_path / "states" / "loft"
    assert (place.stat().st_uid, place.stat().st_mode & 0o7777) == (SERVICE, places.STATE_MODE)


def test_whoever_may_not_read_learns_how_they_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not "wrong usage", and not "name a readable file"."""

    def refused(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    config = tmp_path / "loft.toml"
    config.touch()
    monkeypatch.setattr(Path, "open", refused)

    assert status_of(["status", str(config)]) == 78
    assert why_not_allowed(config) in capsys.readouterr().err


@needs("root")
@pytest.mark.parametrize("command", ["import CONFIG --csv FILE", "restore CONFIG FILE"])
@pytest.mark.parametrize("there", [True, False], ids=["not-allowed", "not-there"])
def test_a_file_in_a_persons_home_is_not_called_missing(
    chamber: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str, there: bool
) -> None:
    """As the service's user (`sudo -u coldpin`), who may not look into that folder."""
    home = tmp_path / "home"
    home.mkdir(mode=0o700 if there else 0o755)
    file = home / "loft.tar.gz"
    line = command.replace("CONFIG", str(chamber)).replace("FILE", str(file))
    os.chmod(tmp_path, 0o755)  # noqa: PTH101
    status_of(line.split())  # loads what is imported late, see `ran`
    capsys.readouterr()
    os.seteuid(SERVICE)
    try:
        status = status_of(line.split())
    finally:
        os.seteuid(0)

    errors = capsys.readouterr().err
    assert status == 66
    assert (f"you are not allowed to use {file}" in errors) is there
    assert ("there is no such file" in errors) is not there
    assert "group coldpin" not in errors


@needs("root")
def test_who_may_read_may_back_up_a_stopped_chamber(chamber: Path, tmp_path: Path) -> None:
    """The database's side files are gone then, and only its owner could make them anew."""
    place = tmp_path / "state"
    assert ran(f"import {chamber} --csv {history(tmp_path)}", place=place) == 0
    assert status_of(["backup", str(chamber), str(tmp_path / "of-root.tar.gz")]) == 0
    for tail in ("-wal", "-shm"):
        (place / f"records.sqlite{tail}").unlink(missing_ok=True)
    own = tmp_path / "own"
    own.mkdir()
    os.chown(own, SERVICE + 1, SERVICE)
    for folder in (tmp_path, place):
        folder.chmod(0o755)
    os.setegid(SERVICE)
    os.seteuid(SERVICE + 1)  # in the service's group
    try:
        status = status_of(["backup", str(chamber), str(own / "loft.tar.gz")])
    finally:
        os.seteuid(0)
        os.setegid(0)

    assert status == 0


@needs("root")
def test_a_request_on_a_read_only_card_says_how_to_stop_the_pump(
    chamber: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rights do not help there, and hands are in the chamber."""

    def refused(*_: object, **__: object) -> int:
        raise OSError(30, "Read-only file system")

    class ReadOnly:
        f_flag = os.ST_RDONLY

    monkeypatch.setattr(requests, "ask", refused)
    monkeypatch.setattr(os, "statvfs", lambda _: ReadOnly)

    assert status_of(["pause", str(chamber)]) == 69
    errors = capsys.readouterr().err
    assert "loft.toml" not in errors, "nothing is wrong with the configuration"
    assert "sudo systemctl stop coldpin@loft" in errors
    assert "not allowed" not in errors


def test_the_advice_fits_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """The group helps with a chamber's own files, and with no others; the service has no sudo."""
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/coldpin/loft")
    monkeypatch.setenv("INVOCATION_ID", "0a43fef8cf0e4333b45a2d6581e24f60")
    in_the_journal = why_not_allowed("/etc/coldpin/loft.toml")
    assert "sudo chgrp coldpin /etc/coldpin/loft.toml" in in_the_journal
    assert "in front" not in in_the_journal
    monkeypatch.delenv("STATE_DIRECTORY")
    assert "group coldpin" in why_not_allowed(Path("/var/lib/coldpin/loft/records.sqlite"))
    assert "group coldpin" in why_not_allowed("/etc/coldpin/loft.toml")
    assert "group" not in why_not_allowed("/home/mara/loft.toml")


def test_records_in_another_chambers_folder_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A configuration copied under another name never writes into the first one's folder."""
    text = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
    records = '\n[records]\npath = "/var/lib/coldpin/shed/records.sqlite"\n'
    for name in ("loft", "shed"):
        (tmp_path / f"{name}.toml").write_text(text + records, encoding="utf-8")

    assert status_of(["check", str(tmp_path / "shed.toml"), "--json"]) == 0
    assert status_of(["check", str(tmp_path / "loft.toml"), "--json"]) == 78
    assert "the folder of the chamber shed" in capsys.readouterr().err
