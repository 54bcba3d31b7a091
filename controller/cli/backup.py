"""``coldpin backup`` and ``coldpin restore``: a dead card costs an evening, not the history."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import tarfile
import tempfile
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from controller.domain.places import RECORDS, lock_instance, records_path, state_directory
from controller.errors import SettingsError
from controller.lookout.page.access import SECRET_FILE
from controller.records.copying import copy_database, sound
from controller.records.requests import REQUESTS
from controller.settings.load import Settings, read_settings

MANIFEST = "manifest.json"
VERSION = 1
CONFIG, RELAY_MODULES, ADDRESSES = "config.toml", "relay-modules.toml", "notice-addresses"
FIT, BROKER_CA, BROKER_PASSWORD = "fit.toml", "mqtt-ca.pem", "mqtt-password"
SECRETS = {SECRET_FILE, ADDRESSES, BROKER_PASSWORD}
KNOWN = (CONFIG, RELAY_MODULES, FIT, RECORDS, REQUESTS, BROKER_CA, *sorted(SECRETS))
"""Every name that an archive may hold; anything else is refused."""
MOST_BYTES = 2_000_000_000


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--with-secrets",
    is_flag=True,
    help="The page's secret, the addresses of notices and the broker's password too; keep such a "
    "file to yourself.",
)
def backup(config: Path, file: Path, with_secrets: bool) -> None:
    """Put CONFIG, its records and its requests into FILE, while it runs.

    What goes in is whole: the records are copied by SQLite's own means, in small steps that hold up
    nobody.
    """
    settings = read_settings(config)
    place = state_directory(config)
    try:
        with tempfile.TemporaryDirectory(dir=file.parent) as folder:
            parts = _gathered(settings, config, place, Path(folder), with_secrets=with_secrets)
            _packed(file, parts, settings.chamber.name)
    except OSError as error:
        raise SettingsError(str(config), (f"no backup was made: {error}",)) from None
    click.echo(f"{', '.join(parts)} into {file}")


@click.command()
@click.argument("config", type=click.Path(path_type=Path))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, exists=True))
@click.option("--replace", is_flag=True, help="Replace what is there.")
def restore(config: Path, file: Path, replace: bool) -> None:
    """Put what `coldpin backup` wrote to FILE in the place of CONFIG, which must not be running."""
    try:
        parts = _unpacked(file)
    except (OSError, ValueError, tarfile.TarError, zlib.error, EOFError) as error:
        raise SettingsError(str(file), (f"this is no backup that can be used: {error}",)) from None
    place = state_directory(config)
    targets = _targets(parts, config, place)
    there = [str(target) for target in targets.values() if target.exists()]
    if there and not replace:
        problem = f"found {', '.join(there)}, which would be lost; allowed: --replace"
        raise SettingsError(str(config), (problem,))
    with lock_instance(place):
        try:
            for name, target in targets.items():
                _put(target, parts[name], secret=name in SECRETS)
        except OSError as error:
            raise SettingsError(str(config), (f"restored in part only: {error}",)) from None
    click.echo(f"{', '.join(targets)} from {file}; look at them with coldpin check {config}")


def _gathered(
    settings: Settings, config: Path, place: Path, folder: Path, *, with_secrets: bool
) -> dict[str, Path]:
    """Return what goes in, by its name in the archive."""
    parts = {CONFIG: config}
    modules = config.parent / (settings.relay_modules.file or RELAY_MODULES)
    if modules.is_file():
        parts[RELAY_MODULES] = modules
    for name, named in ((FIT, settings.plant.fitted), (BROKER_CA, settings.mqtt.ca_file)):
        if named is not None and (config.parent / named).is_file():
            parts[name] = config.parent / named
    databases = {
        RECORDS: records_path(settings.records.path, place),
        REQUESTS: place / REQUESTS,
    }
    for name, source in databases.items():
        if source.is_file():
            copy_database(source, folder / name)
            parts[name] = folder / name
    if with_secrets:
        secrets = {SECRET_FILE: place / SECRET_FILE}
        if settings.notices.addresses is not None:
            secrets[ADDRESSES] = config.parent / settings.notices.addresses
        if settings.mqtt.password_file is not None:
            secrets[BROKER_PASSWORD] = config.parent / settings.mqtt.password_file
        parts |= {name: source for name, source in secrets.items() if source.is_file()}
    return parts


def _packed(file: Path, parts: dict[str, Path], chamber: str) -> None:
    fresh = file.with_name(f"{file.name}.new")
    contents = {name: source.read_bytes() for name, source in parts.items()}
    manifest = {
        "version": VERSION,
        "chamber": chamber,
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "sha256": {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()},
    }
    fresh.unlink(missing_ok=True)
    fresh.touch(mode=0o600)
    with tarfile.open(fresh, "w:gz") as archive:
        for name, data in {MANIFEST: json.dumps(manifest).encode(), **contents}.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))
    fresh.replace(file)


def _unpacked(file: Path) -> dict[str, bytes]:
    """Return the parts of an archive, each held against the manifest.

    Raises:
        ValueError: Something in it is not as it should be; says what.
    """
    parts: dict[str, bytes] = {}
    with gzip.open(file) as stream, tarfile.open(fileobj=stream, mode="r|") as archive:
        for member in archive:
            if member.name not in {MANIFEST, *KNOWN} or not member.isreg():
                raise ValueError(f"found {member.name[:60]!r} in it, which no backup holds")
            if member.size > MOST_BYTES or member.name in parts:
                raise ValueError(f"found {member.name} twice, or far too large")
            data = archive.extractfile(member)
            assert data is not None
            parts[member.name] = data.read()
    manifest: Any = json.loads(parts.pop(MANIFEST, b"null"))
    if not isinstance(manifest, dict) or manifest.get("version") != VERSION:
        raise ValueError(f"found no manifest of version {VERSION}")
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in parts.items()}
    if sums != manifest.get("sha256") or CONFIG not in parts:
        raise ValueError("found contents that are not what the manifest says: it is damaged")
    return parts


def _targets(parts: dict[str, bytes], config: Path, place: Path) -> dict[str, Path]:
    """Return where each part goes; names that the configuration gives are its own."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / CONFIG
        copy.write_bytes(parts[CONFIG])
        settings = read_settings(copy)
        for name in (RECORDS, REQUESTS):
            if name in parts:
                database = Path(folder) / name
                database.write_bytes(parts[name])
                if not sound(database):
                    raise SettingsError(name, ("the database in the backup is damaged",))
    every = {
        CONFIG: config,
        RELAY_MODULES: config.parent / (settings.relay_modules.file or RELAY_MODULES),
        RECORDS: records_path(settings.records.path, place),
        REQUESTS: place / REQUESTS,
        SECRET_FILE: place / SECRET_FILE,
        ADDRESSES: config.parent / (settings.notices.addresses or ADDRESSES),
        FIT: config.parent / (settings.plant.fitted or FIT),
        BROKER_CA: config.parent / (settings.mqtt.ca_file or BROKER_CA),
        BROKER_PASSWORD: config.parent / (settings.mqtt.password_file or BROKER_PASSWORD),
    }
    return {name: every[name] for name in KNOWN if name in parts}


def _put(target: Path, data: bytes, *, secret: bool) -> None:
    fresh = target.with_name(f"{target.name}.new")
    fresh.unlink(missing_ok=True)
    fresh.touch(mode=0o600 if secret else 0o640)
    fresh.write_bytes(data)
    # side files of another database would be taken for this one's
    for ending in ("-wal", "-shm", "-journal"):
        target.with_name(f"{target.name}{ending}").unlink(missing_ok=True)
    fresh.replace(target)
