"""Backup and restore: whole while it runs, refused where anything is not as it should be."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import shutil
import tarfile
import threading
import tracemalloc
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from controller.cli.main import status_of
from controller.domain.places import RECORDS, SECRET_FILE
from controller.history.importing import add_history, reading_at
from controller.lookout.page.access import Access, new_secret
from controller.records.reader import read_readings
from controller.records.requests_file import REQUESTS, log_past_swap, swaps
from controller.service.locks import lock_instance
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.support.time_zones import zone_of_the_process

BEGINS = datetime(2026, 7, 1, tzinfo=UTC)


class Installation:
    """A configuration and its state directory."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        folder.mkdir()
        self.config = folder / "hall.toml"
        self.place = folder / "state"
        self.place.mkdir()
        self._monkeypatch = monkeypatch

    def run(self, command: str, *more: str) -> int:
        self._monkeypatch.setenv("STATE_DIRECTORY", str(self.place))
        return status_of([command, str(self.config), *more])

    def fill(self, rows: int = 500) -> None:
        self.config.write_text(shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8"))
        history = (
            reading_at(
                BEGINS + i * timedelta(minutes=1), (16.0, 4.0, None, None), pump=False, fan=False
            )
            for i in range(rows)
        )
        add_history(self.place / RECORDS, history, name="one", chamber="c")
        log_past_swap(self.place / REQUESTS, at=BEGINS, packs=4, who="Tove")


@pytest.fixture
def old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Installation:
    installation = Installation(tmp_path / "old", monkeypatch)
    installation.fill()
    return installation


@pytest.fixture
def new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Installation:
    return Installation(tmp_path / "new", monkeypatch)


def test_a_dead_card_costs_no_history(old: Installation, new: Installation, tmp_path: Path) -> None:
    """Config, records and swaps on another machine; the secret only where it was asked for."""
    secret = new_secret(old.place)
    plain, full = tmp_path / "plain.tar.gz", tmp_path / "full.tar.gz"

    assert old.run("backup", str(plain)) == 0
    assert old.run("backup", str(full), "--with-secrets") == 0
    assert new.run("restore", str(plain)) == 0
    without = (new.place / SECRET_FILE).exists()
    assert new.run("restore", str(full), "--replace") == 0

    assert new.config.read_bytes() == old.config.read_bytes()
    assert list(read_readings(new.place / RECORDS)) == list(read_readings(old.place / RECORDS))
    assert swaps(new.place / REQUESTS) == swaps(old.place / REQUESTS)
    assert not without
    assert Access(new.place, clock=lambda: 0.0).enter(secret) is not None
    assert (new.place / SECRET_FILE).stat().st_mode & 0o777 == 0o600
    assert full.stat().st_mode & 0o777 == 0o600


def test_what_the_configuration_names_goes_along(
    old: Installation, new: Installation, tmp_path: Path
) -> None:
    """A fit and the broker's certificates always, its password only with the secrets."""
    named = '\n[plant]\nfitted = "my-fit.toml"\n[mqtt]\nca_file = "ca.pem"\npassword_file = "pw"\n'
    with old.config.open("a", encoding="utf-8") as file:
        file.write(named)
    named_files = {"my-fit.toml": "[plant.coil]\nua_air_w_k = 7.5\n", "ca.pem": "x", "pw": "secret"}
    for name, text in named_files.items():
        (old.config.parent / name).write_text(text, encoding="utf-8")
    plain, full = tmp_path / "plain.tar.gz", tmp_path / "full.tar.gz"

    assert old.run("backup", str(plain)) == 0
    assert old.run("backup", str(full), "--with-secrets") == 0
    assert new.run("restore", str(plain)) == 0
    without = (new.config.parent / "pw").exists()
    assert new.run("restore", str(full), "--replace") == 0

    assert not without
    for name, text in named_files.items():
        assert (new.config.parent / name).read_text(encoding="utf-8") == text
    assert (new.config.parent / "pw").stat().st_mode & 0o777 == 0o600
    settings = read_settings(new.config, needs_fit=True)
    assert settings.plant_spec().coil.ua_air_w_k == 7.5


def test_a_backup_under_way_holds_up_no_writer_and_is_whole(
    old: Installation, new: Installation, tmp_path: Path
) -> None:
    """Rows come in while it is made: it has those from before, and the database is sound."""
    stop = threading.Event()
    written = []

    def write() -> None:
        turn = 0
        while not stop.is_set():
            turn += 1
            at = BEGINS + timedelta(days=turn)
            row = reading_at(at, (16.0, 4.0, None, None), pump=False, fan=False)
            add_history(old.place / RECORDS, [row], name=f"turn {turn}", chamber="c")
            written.append(turn)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        assert old.run("backup", str(tmp_path / "b.tar.gz")) == 0
    finally:
        stop.set()
        writer.join()

    assert written
    assert new.run("restore", str(tmp_path / "b.tar.gz")) == 0
    assert len(list(read_readings(new.place / RECORDS))) >= 500


def test_a_running_instance_and_what_is_there_are_left_alone(
    old: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Said, and nothing is touched."""
    archive = str(tmp_path / "b.tar.gz")
    assert old.run("backup", archive) == 0
    before = (old.place / RECORDS).read_bytes()

    assert old.run("restore", archive) == 78
    with lock_instance(old.place):
        assert old.run("restore", archive, "--replace") == 75

    printed = capsys.readouterr().err
    assert "--replace" in printed
    assert "already controls this chamber" in printed
    assert (old.place / RECORDS).read_bytes() == before


def rewritten(archive: Path, change: str) -> None:
    """Change an archive in one way."""
    with tarfile.open(archive) as old_archive:
        parts = {
            member.name: (old_archive.extractfile(member) or io.BytesIO()).read()
            for member in old_archive
        }
    match change:
        case "content":
            parts["config.toml"] += b"\n# changed"
        case "manifest":
            del parts["manifest.json"]
        case "version":
            manifest = json.loads(parts["manifest.json"])
            parts["manifest.json"] = json.dumps({**manifest, "version": 99}).encode()
        case "traversal":
            parts["../../etc/passwd"] = b"root"
        case "foreign":
            parts["extra.py"] = b"import os"
    with tarfile.open(archive, "w:gz") as new_archive:
        for name, data in parts.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            new_archive.addfile(member, io.BytesIO(data))
        if change == "link":
            link = tarfile.TarInfo("relay-modules.toml")
            link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
            new_archive.addfile(link)
    if change == "cut":
        archive.write_bytes(archive.read_bytes()[:-200])
    if change == "garbage":
        archive.write_bytes(b"garbage" * 100)


@pytest.mark.parametrize(
    "change",
    ["content", "manifest", "version", "traversal", "foreign", "link", "cut", "garbage"],
)
def test_an_archive_that_is_not_right_is_refused_whole(
    old: Installation,
    new: Installation,
    tmp_path: Path,
    change: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Whatever was done to it: a message, and nothing is written."""
    archive = tmp_path / "b.tar.gz"
    assert old.run("backup", str(archive)) == 0
    rewritten(archive, change)

    assert new.run("restore", str(archive)) == 66

    assert "no backup that can be used" in capsys.readouterr().err
    assert not new.config.exists()
    assert list(new.place.iterdir()) == []


# --- an archive that somebody else made ----------------------------------------------------------


def made(archive: Path, parts: dict[str, bytes]) -> str:
    """Pack parts with a manifest that fits them, as an attacker would."""
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in parts.items()}
    manifest = json.dumps({"version": 1, "chamber": "c", "made": "m", "sha256": sums}).encode()
    with tarfile.open(archive, "w:gz") as file:
        for name, data in {"manifest.json": manifest, **parts}.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            file.addfile(member, io.BytesIO(data))
    return str(archive)


def config_with(more: str) -> bytes:
    return shipped_config("larkmoor-laptop.toml").read_bytes() + f"\n{more}\n".encode()


STRAYING = [
    ("addresses-absolute", "notice-addresses", '[notices]\naddresses = "{victim}/keys"'),
    ("addresses-upward", "notice-addresses", '[notices]\naddresses = "../victim/keys"'),
    ("fit", "fit.toml", '[plant]\nfitted = "{victim}/keys"'),
    ("certificates", "mqtt-ca.pem", '[mqtt]\nca_file = "{victim}/keys"'),
    ("password", "mqtt-password", '[mqtt]\npassword_file = "../victim/keys"'),
    ("modules", "relay-modules.toml", '[relay_modules]\nfile = "../victim/keys"'),
    ("through-a-link", "mqtt-ca.pem", '[mqtt]\nca_file = "link/keys"'),
]


@pytest.mark.parametrize(
    ("part", "more"), [case[1:] for case in STRAYING], ids=[case[0] for case in STRAYING]
)
def test_a_place_outside_is_written_only_where_a_person_allows_it(
    new: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str], part: str, more: str
) -> None:
    """Refused with the path, shown by the dry run, written with the option alone."""
    victim = tmp_path / "victim"
    victim.mkdir()
    (new.config.parent / "link").symlink_to(victim)
    text = config_with(more.format(victim=victim))
    archive = made(tmp_path / "b.tar.gz", {"config.toml": text, part: b"ssh-ed25519 mine"})

    assert new.run("restore", archive) == 78
    assert f"{victim}/keys" in capsys.readouterr().err
    assert new.run("restore", archive, "--dry-run") == 0
    assert f"{victim}/keys (outside the folders" in capsys.readouterr().out
    assert list(victim.iterdir()) == []
    assert not new.config.exists()
    assert new.run("restore", archive, "--outside") == 0
    assert f"written outside: {victim}/keys" in capsys.readouterr().out
    assert (victim / "keys").read_bytes() == b"ssh-ed25519 mine"


OTHERS = [
    ("a-configuration", "fit.toml", '[plant]\nfitted = "porch.toml"'),
    ("as-modules", "relay-modules.toml", '[relay_modules]\nfile = "porch.toml"'),
    ("addresses", "notice-addresses", '[notices]\naddresses = "porch-addresses"'),
    ("a-new-chamber", "mqtt-ca.pem", '[mqtt]\nca_file = "garden.toml"'),
]


@pytest.mark.parametrize(
    ("part", "more"), [case[1:] for case in OTHERS], ids=[case[0] for case in OTHERS]
)
def test_what_is_another_chambers_is_as_good_as_outside(
    new: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str], part: str, more: str
) -> None:
    """All chambers lie in one folder: --replace is for this one's files alone."""
    new.config.write_bytes(config_with(""))
    porch = {name: new.config.parent / name for name in ("porch.toml", "porch-addresses")}
    for path in porch.values():
        path.write_text("the neighbour's", encoding="utf-8")
    archive = made(tmp_path / "b.tar.gz", {"config.toml": config_with(more), part: config_with("")})

    assert new.run("restore", archive, "--replace") == 78
    assert "or not its file; allowed: --outside" in capsys.readouterr().err

    assert {path.read_text(encoding="utf-8") for path in porch.values()} == {"the neighbour's"}
    assert not (new.config.parent / "garden.toml").exists()


def test_only_a_database_takes_its_side_files_along(new: Installation, tmp_path: Path) -> None:
    """A part that is named as another's write-ahead log begins removed that log."""
    text = config_with('[mqtt]\nca_file = "other.sqlite"')
    log = new.config.parent / "other.sqlite-wal"
    log.write_text("rows", encoding="utf-8")
    archive = made(tmp_path / "b.tar.gz", {"config.toml": text, "mqtt-ca.pem": b"x"})

    assert new.run("restore", archive) == 0

    assert log.read_text(encoding="utf-8") == "rows"


def test_records_outside_are_no_exception(
    old: Installation, new: Installation, tmp_path: Path
) -> None:
    """A records file at an absolute path, such as on another disk, needs the option too."""
    disk = tmp_path / "disk"
    disk.mkdir()
    with old.config.open("a", encoding="utf-8") as file:
        file.write(f'\n[records]\npath = "{disk}/r.sqlite"\n')
    (old.place / RECORDS).rename(disk / "r.sqlite")
    archive = str(tmp_path / "b.tar.gz")
    assert old.run("backup", archive) == 0
    rows = list(read_readings(disk / "r.sqlite"))
    (disk / "r.sqlite").unlink()

    assert new.run("restore", archive) == 78
    assert not (disk / "r.sqlite").exists()
    assert new.run("restore", archive, "--outside") == 0

    assert list(read_readings(disk / "r.sqlite")) == rows


def test_one_part_cannot_take_the_place_of_another(
    new: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Addresses named as the configuration is would replace it after it was judged."""
    text = config_with('[notices]\naddresses = "hall.toml"')
    archive = made(tmp_path / "b.tar.gz", {"config.toml": text, "notice-addresses": b"x"})

    assert new.run("restore", archive) == 78
    assert "for notice-addresses and for config.toml" in capsys.readouterr().err
    assert not new.config.exists()


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_the_shells_umask_decides_nothing(
    old: Installation, new: Installation, tmp_path: Path, mask: int
) -> None:
    """Secrets for the owner alone, the rest for the group too, whatever the shell does."""
    new_secret(old.place)
    archive = tmp_path / "b.tar.gz"
    before = os.umask(mask)
    try:
        assert old.run("backup", str(archive), "--with-secrets") == 0
        assert new.run("restore", str(archive)) == 0
    finally:
        os.umask(before)

    paths = (archive, new.place / SECRET_FILE, new.config, new.place / RECORDS)
    assert [path.stat().st_mode & 0o777 for path in paths] == [0o600, 0o600, 0o640, 0o640]


def test_the_dry_run_writes_nothing(
    old: Installation, new: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each file that would be written, and what is there already."""
    archive = str(tmp_path / "b.tar.gz")
    assert old.run("backup", archive) == 0
    new.config.write_text("mine", encoding="utf-8")
    capsys.readouterr()

    assert new.run("restore", archive, "--dry-run") == 0

    listed = capsys.readouterr().out
    assert f"{new.config} (replaces the file there)" in listed
    assert f"{new.place / RECORDS}\n" in listed
    assert "Nothing was written" in listed
    assert new.config.read_text(encoding="utf-8") == "mine"
    assert list(new.place.iterdir()) == []


def block(name: str, size: int, kind: bytes = tarfile.REGTYPE) -> bytes:
    member = tarfile.TarInfo(name)
    member.size, member.type = size, kind
    return member.tobuf(tarfile.USTAR_FORMAT)


def _less_than_nothing(name: str) -> bytes:
    """Return the header of a member whose size, in the format's base 256, is below zero."""
    member = tarfile.TarInfo(name)
    member.size = -1_000_000_000_000
    return member.tobuf(tarfile.GNU_FORMAT)


@pytest.mark.parametrize(
    ("header", "size", "says"),
    [
        (block("records.sqlite", 400_000_000), 400_000_000, "allowed: from 0 up to"),
        (block("manifest.json", 30_000_000), 30_000_000, "allowed: from 0 up to 1000000"),
        (block("config.toml", 30_000_000), 30_000_000, "allowed: from 0 up to 1000000"),
        (block("x", 30_000_000, tarfile.XHDTYPE), 30_000_000, "which no backup holds"),
        (block("x", 30_000_000, tarfile.GNUTYPE_LONGNAME), 30_000_000, "which no backup holds"),
        (block("records.sqlite", 60_000_000), 60_000_000, "found no manifest"),
        # what takes less than nothing would leave room for anything
        (
            _less_than_nothing("fit.toml") + block("records.sqlite", 400_000_000),
            400_000_000,
            "of -1000000000000 bytes, allowed: from 0 up to 1000000",
        ),
    ],
    ids=[
        "records",
        "manifest",
        "config",
        "extended-header",
        "long-name",
        "within-bounds",
        "negative-size",
    ],
)
def test_an_archive_that_swells_takes_no_memory(
    new: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str], header: bytes, size: int,
    says: str,
) -> None:  # fmt: skip
    """Some hundred kilobytes that say they are hundreds of megabytes are refused, or streamed."""
    archive = tmp_path / "b.tar.gz"
    with gzip.open(archive, "wb", compresslevel=1) as file:
        file.write(header)
        for _ in range(min(size, 60_000_000) // 1_000_000):
            file.write(bytes(1_000_000))
        file.write(bytes(-size % 512 + 1024))
    tracemalloc.start()
    try:
        status = new.run("restore", str(archive))
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert status == 66
    assert says in capsys.readouterr().err
    assert peak_bytes < 8_000_000
    assert list(new.place.iterdir()) == []


def test_without_room_nothing_is_touched(
    old: Installation,
    new: Installation,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Judged before anything is written, and not called a damaged backup."""
    archive = tmp_path / "a.tar.gz"
    assert old.run("backup", str(archive)) == 0
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(
        "controller.commissioning.backup.shutil.disk_usage",
        lambda _: usage._replace(free=1_000_000),
    )

    assert new.run("restore", str(archive)) == 78

    assert "1 MB free" in capsys.readouterr().err
    assert list(new.place.iterdir()) == []
    assert not new.config.exists()


def test_a_restore_says_what_where_and_up_to_when(
    old: Installation, new: Installation, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And how to see it."""
    archive = tmp_path / "a.tar.gz"
    assert old.run("backup", str(archive)) == 0
    capsys.readouterr()

    with zone_of_the_process("America/Chicago"):  # the chamber's counts, not this shell's
        assert new.run("restore", str(archive)) == 0

    out = capsys.readouterr().out
    last = (BEGINS + 499 * timedelta(minutes=1)).astimezone(ZoneInfo("Europe/Lisbon"))
    assert f"the records up to {last:%Y-%m-%d %H:%M} to {new.place / RECORDS}" in out
    assert f"coldpin report {new.config}" in out
