"""Moving house: one archive with a chamber's configuration and records, and back from it.

An archive may come from anybody. It is unpacked to disk piece by piece within bounds, every piece
is held against the manifest, and no file is written outside the folders of the configuration and of
the instance unless a person allowed exactly that.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import io
import os
import shutil
import tarfile
import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from controller.domain.json_text import json_text, read_json
from controller.domain.places import RECORDS, SECRET_FILE, records_path
from controller.errors import ControllerError, InputFileError, SettingsError
from controller.records.copying import copy_database, sound
from controller.records.requests_place import (
    FILE_MODE,
    FORMER_REQUESTS,
    REQUESTS,
    in_use,
    make_folder,
)
from controller.settings.load import Settings, read_settings

MANIFEST = "manifest.json"
VERSION = 1
CONFIG, RELAY_MODULES, ADDRESSES = "config.toml", "relay-modules.toml", "notice-addresses"
FIT, BROKER_CA, BROKER_PASSWORD = "fit.toml", "mqtt-ca.pem", "mqtt-password"
SECRETS = frozenset({SECRET_FILE, ADDRESSES, BROKER_PASSWORD})
REQUESTS_PART = "requests.sqlite"
DATABASES = (RECORDS, REQUESTS_PART)
OF_THE_INSTANCE = frozenset({*DATABASES, SECRET_FILE})
"""Parts that lie in the state directory; the others lie beside the configuration."""
KNOWN = (CONFIG, RELAY_MODULES, FIT, RECORDS, REQUESTS_PART, BROKER_CA, *sorted(SECRETS))
"""Every name that an archive may hold; anything else is refused."""

LARGEST_TEXT = 1_000_000
"""Of each part that is no database, and of the manifest [bytes]."""
MOST_BYTES = 2_000_000_000
MOST_TIMES, ALWAYS_BYTES = 50, 64_000_000
"""Records shrink to a tenth or so; an archive that grows to more than fifty times its size was made
to fill a disk. Small ones may hold much that is alike."""
ROOM_LEFT = 20_000_000
"""What is left free beside what is restored, so that the service can go on writing [bytes]."""
_PIECE = 65_536
_BLOCK = 512
"""A tar archive consists of such blocks (POSIX.1, ustar)."""


class NoRoomError(ControllerError, OSError):
    """There is no room for what an archive holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """What an archive holds, unpacked and checked."""

    chamber: str
    made: str
    settings: Settings
    parts: dict[str, Path]
    """Unpacked files by their names in the archive, in the order of `KNOWN`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where a part goes."""

    name: str
    source: Path
    path: Path
    outside: bool
    """Whether the archive's configuration names a place outside the folder it belongs to, a file in
    it that is not this chamber's, or one that would be another chamber's configuration."""

    @property
    def secret(self) -> bool:
        """Whether only the service may read it."""
        return self.name in SECRETS

    @property
    def mode(self) -> int:
        """Permission bits of the file, as the service makes it."""
        if self.secret:
            return 0o600
        return FILE_MODE if self.name == REQUESTS_PART else 0o640


# --- packing


def pack(config: Path, place: Path, file: Path, *, with_secrets: bool) -> tuple[str, ...]:
    """Write the archive of an instance, which may be running, and return what went in.

    The records are copied by SQLite's own means, in small steps that hold up nobody.

    Args:
        config: The configuration.
        place: The instance's state directory.
        file: The archive; only its owner may read it.
        with_secrets: Whether page password, addresses of notices and broker password go in.

    Raises:
        SettingsError: The configuration cannot be used.
        OSError: Something cannot be read or written; no archive was left.
    """
    settings = read_settings(config)
    with tempfile.TemporaryDirectory(dir=file.parent) as folder:
        parts = _gathered(settings, config, place, Path(folder), with_secrets=with_secrets)
        manifest = {
            "version": VERSION,
            "chamber": settings.chamber.name,
            "made": datetime.now(UTC).isoformat(timespec="seconds"),
            "sha256": {name: _sum_of(source) for name, source in parts.items()},
        }
        fresh = Path(folder) / "archive"
        fresh.touch(mode=0o600)
        with tarfile.open(fresh, "w:gz", format=tarfile.USTAR_FORMAT) as archive:
            _add(archive, MANIFEST, io.BytesIO(json_text(manifest).encode()))
            for name, source in parts.items():
                with source.open("rb") as data:
                    _add(archive, name, data)
        fresh.replace(file)
    return tuple(parts)


def _gathered(
    settings: Settings, config: Path, place: Path, folder: Path, *, with_secrets: bool
) -> dict[str, Path]:
    """Copy what goes in into a folder, so that it does not change while it is packed."""
    not_named = {
        name
        for name, named in (
            (FIT, settings.plant.fitted),
            (BROKER_CA, settings.mqtt.ca_file),
            (ADDRESSES, settings.notices.addresses),
            (BROKER_PASSWORD, settings.mqtt.password_file),
        )
        if named is None
    }
    left_out = not_named if with_secrets else not_named | SECRETS
    sources = {
        name: in_use(path)
        for name, path in _places(settings, config, place).items()
        if name not in left_out and in_use(path).is_file()
    }
    parts = {}
    for name, source in sources.items():
        parts[name] = folder / name
        if name in DATABASES:
            copy_database(source, parts[name])
        else:
            shutil.copyfile(source, parts[name])
    return parts


def _places(settings: Settings, config: Path, place: Path) -> dict[str, Path]:
    """Return where each part of an instance lies."""
    named_files = {
        CONFIG: config.name,
        RELAY_MODULES: settings.relay_modules.file or RELAY_MODULES,
        FIT: settings.plant.fitted or FIT,
        BROKER_CA: settings.mqtt.ca_file or BROKER_CA,
        ADDRESSES: settings.notices.addresses or ADDRESSES,
        BROKER_PASSWORD: settings.mqtt.password_file or BROKER_PASSWORD,
    }
    own = {
        RECORDS: records_path(settings.records.path, place),
        REQUESTS_PART: place / REQUESTS,
        SECRET_FILE: place / SECRET_FILE,
    }
    every = {**{name: config.parent / named for name, named in named_files.items()}, **own}
    return {name: every[name] for name in KNOWN}


def _sum_of(source: Path) -> str:
    with source.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()


def _add(archive: tarfile.TarFile, name: str, data: IO[bytes]) -> None:
    member = tarfile.TarInfo(name)
    member.size = data.seek(0, io.SEEK_END)
    data.seek(0)
    archive.addfile(member, data)


# --- unpacking


@contextlib.contextmanager
def unpacked(file: Path, folder: Path) -> Iterator[Archive]:
    """Unpack an archive for as long as the context lasts, every part checked.

    Args:
        file: The archive; whoever made it is not trusted.
        folder: Where it is unpacked, in a folder of its own that goes away again.

    Raises:
        InputFileError: It is no backup that can be used; says why.
        SettingsError: The configuration in it cannot be used.
    """
    with tempfile.TemporaryDirectory(dir=folder, prefix=".restore-") as inside:
        try:
            manifest, parts = _unpack(file, Path(inside))
        except NoRoomError as error:
            raise SettingsError(str(folder), (f"{error}; nothing was changed",)) from None
        except (OSError, ValueError, tarfile.TarError, zlib.error, EOFError) as error:
            foreign = isinstance(error, gzip.BadGzipFile | tarfile.ReadError)
            why = "coldpin backup did not write it" if foreign else error
            problem = f"this is no backup that can be used: {why}"
            raise InputFileError(str(file), (problem,)) from None
        settings = read_settings(parts[CONFIG])
        for name in DATABASES:
            if name in parts and not sound(parts[name]):
                raise InputFileError(str(file), (f"the database {name} in it is damaged",))
        yield Archive(
            chamber=_line(manifest.get("chamber")),
            made=_line(manifest.get("made")),
            settings=settings,
            parts={name: parts[name] for name in KNOWN if name in parts},
        )


def _line(value: object) -> str:
    """Return a text of an unknown archive as it may stand on a screen."""
    return "".join(c for c in str(value)[:80] if c.isprintable())


def _unpack(file: Path, folder: Path) -> tuple[dict[str, Any], dict[str, Path]]:
    """Return manifest and parts of an archive.

    Members are read here and not by tarfile: its extensions for long names and for other metadata
    are read into memory whole, however large they say they are.

    Raises:
        ValueError: Something in it is not as it should be; says what.
    """
    left = min(MOST_BYTES, max(ALWAYS_BYTES, MOST_TIMES * file.stat().st_size))
    sums: dict[str, str] = {}
    with gzip.open(file) as stream:
        while (header := _exactly(stream, _BLOCK)).strip(b"\0"):
            member = tarfile.TarInfo.frombuf(header, "utf-8", "strict")
            name = member.name
            if name not in {MANIFEST, *KNOWN} or member.type != tarfile.REGTYPE:
                raise ValueError(f"found {_line(name)!r} in it, which no backup holds")
            if name in sums:
                raise ValueError(f"found {name} twice")
            most = left if name in DATABASES else min(left, LARGEST_TEXT)
            if not 0 <= member.size <= most:
                raise ValueError(
                    f"found {name} of {member.size} bytes, allowed: from 0 up to {most}"
                )
            if problem := next(_no_room(folder, member.size), None):
                raise NoRoomError(problem)
            left -= member.size
            sums[name] = _stream_out(stream, folder / name, member.size)
    if sums.pop(MANIFEST, None) is None:
        raise ValueError("found no manifest")
    manifest: Any = read_json((folder / MANIFEST).read_bytes())
    if not isinstance(manifest, dict) or manifest.get("version") != VERSION:
        raise ValueError(f"found no manifest of version {VERSION}")
    if sums != manifest.get("sha256") or CONFIG not in sums:
        raise ValueError("found contents that are not what the manifest says: it is damaged")
    return manifest, {name: folder / name for name in sums}


def _stream_out(stream: gzip.GzipFile, path: Path, size: int) -> str:
    """Write a member to a file that only its owner may read, and return its checksum."""
    digest = hashlib.sha256()
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
        for begin in range(0, size, _PIECE):
            piece = _exactly(stream, min(_PIECE, size - begin))
            digest.update(piece)
            out.write(piece)
    _exactly(stream, -size % _BLOCK)
    return digest.hexdigest()


def _exactly(stream: gzip.GzipFile, size: int) -> bytes:
    data = stream.read(size)
    if len(data) != size:
        raise EOFError("it ends in the middle")
    return data


# --- putting in place


def targets_of(archive: Archive, config: Path, place: Path) -> tuple[Target, ...]:
    """Return where each part of an archive goes.

    Args:
        archive: What is restored.
        config: The configuration's place; names that it gives are relative to its folder.
        place: The instance's state directory.

    Raises:
        SettingsError: Two parts would go to one place, or a folder is not there.
    """
    targets = []
    size = sum(source.stat().st_size for source in archive.parts.values())
    problems = list(_no_room(place, size))
    names: dict[Path, str] = {}
    places = _places(archive.settings, config, place)
    own = _own_places(config, place)
    for name, source in archive.parts.items():
        home = (place if name in OF_THE_INSTANCE else config.parent).resolve()
        folder = places[name].parent.resolve()
        path = folder / places[name].name
        if path in names or not path.name:
            problems.append(f"found {path} for {name} and for {names.get(path, 'a folder')}")
        elif not folder.is_dir() and name != REQUESTS_PART:
            problems.append(f"{name}: found no folder {folder}; make it first")
        elif path.is_dir():
            problems.append(f"{name}: found a folder at {path}, allowed: a file or nothing")
        names[path] = name
        outside = name != CONFIG and (
            not folder.is_relative_to(home)
            or (path.exists() and path not in own)
            or (path.suffix == config.suffix and name not in DATABASES and _is_a_chamber(source))
        )
        targets.append(Target(name=name, source=source, path=path, outside=outside))
    if problems:
        raise SettingsError(str(config), tuple(problems))
    return tuple(targets)


def _own_places(config: Path, place: Path) -> set[Path]:
    """Return where the parts of a chamber lie by the configuration that it has now.

    Chambers share a folder: what another one uses is not this one's to replace.
    """
    usual = {config, *(config.parent / name for name in (RELAY_MODULES, FIT))}
    usual |= {place / name for name in (RECORDS, REQUESTS, SECRET_FILE)}
    with contextlib.suppress(SettingsError):  # none yet, or one that is damaged
        usual |= set(_places(read_settings(config), config, place).values())
    return {path.parent.resolve() / path.name for path in usual}


def _is_a_chamber(source: Path) -> bool:
    return "[chamber]" in source.read_text(encoding="utf-8", errors="replace")


def _no_room(folder: Path, size: int) -> Iterator[str]:
    free = shutil.disk_usage(folder).free
    if free < size + ROOM_LEFT:
        yield (
            f"found {free // 1_000_000} MB free in {folder}, "
            f"{(size + ROOM_LEFT) // 1_000_000} MB are needed: make room first"
        )


def put_in_place(targets: tuple[Target, ...], place: Path) -> None:
    """Put every part where it goes; each file is the old one or the new one, never half of it.

    Secrets are readable by their owner alone, the rest by the group too, who may write requests,
    whatever the shell's umask. Done by root, the files go to the owner of the state directory.

    Raises:
        OSError: One cannot be written; those before it are in place.
    """
    for target in targets:
        if target.name == REQUESTS_PART:
            make_folder(target.path)
            (place / FORMER_REQUESTS).unlink(missing_ok=True)
        fresh = target.path.with_name(f"{target.path.name}.new")
        fresh.unlink(missing_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
        with (
            target.source.open("rb") as data,
            os.fdopen(os.open(fresh, flags, 0o600), "wb") as out,
        ):
            shutil.copyfileobj(data, out)
            if os.geteuid() == 0:
                service = place.stat()
                own = target.secret or target.name in OF_THE_INSTANCE
                os.fchown(out.fileno(), service.st_uid if own else 0, service.st_gid)
            os.fchmod(out.fileno(), target.mode)
            out.flush()
            os.fsync(out.fileno())
        if target.name in DATABASES:
            # side files of another database would be taken for this one's
            for ending in ("-wal", "-shm", "-journal"):
                target.path.with_name(f"{target.path.name}{ending}").unlink(missing_ok=True)
        fresh.replace(target.path)
