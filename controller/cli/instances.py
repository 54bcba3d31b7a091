"""Which chamber a command is about: a path, the name of an instance, or the only one there is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from controller.domain import places


class Instance(click.ParamType):  # type: ignore[type-arg]
    """A configuration: a path, or NAME for NAME.toml in the configuration folder."""

    name = "config"

    def __init__(self, *, may_be_new: bool = False) -> None:
        """Say what is allowed.

        Args:
            may_be_new: Whether a name is taken that no chamber has yet.
        """
        self._may_be_new = may_be_new

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path of the configuration; whoever reads it says what is wrong with it."""
        if isinstance(value, Path):
            return value
        path = Path(value)
        if path.suffix == ".toml" or "/" in value or _is_there(path):
            return path
        named = places.CONFIGURATIONS / f"{value}.toml"
        if named.exists() or (self._may_be_new and places.CONFIGURATIONS.is_dir()):
            return named
        self.fail(_unknown(value), param, ctx)
        raise AssertionError("fail raises")


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except PermissionError:  # the service's user in a person's home
        return False


def _unknown(value: str) -> str:
    from difflib import get_close_matches  # noqa: PLC0415 - a misspelt name is rare

    known = [each.stem for each in places.configurations_in(places.CONFIGURATIONS)]
    close = get_close_matches(value, known, n=1)
    hint = f' Did you mean "{close[0]}"?' if close else ""
    names = f"the chambers are {', '.join(known)}" if known else "there is none"
    return (
        f'found no chamber "{value}"; in {places.CONFIGURATIONS} {names}.{hint} '
        "A file is named with its .toml."
    )


def only_instance() -> Path:
    """Return the one configuration on this machine.

    Raises:
        click.UsageError: There is none, or more than one.
    """
    configurations = places.configurations_in(places.CONFIGURATIONS)
    if len(configurations) == 1:
        return configurations[0]
    if not configurations:
        raise click.UsageError(
            f"name a configuration: there is no chamber in {places.CONFIGURATIONS} yet; on the Pi "
            f"sudo coldpin new --wire {places.CONFIGURATIONS}/loft.toml makes one"
        )
    names = ", ".join(path.stem for path in configurations)
    raise click.UsageError(
        f"name a chamber: there are {len(configurations)} on this machine: {names}"
    )


CONFIG = click.argument(
    "config", type=Instance(), required=False, default=only_instance, metavar="[CONFIG]"
)
"""The chamber, as the only argument of a command."""
NEW_CONFIG = click.argument("config", type=Instance(may_be_new=True), metavar="CONFIG")
"""The chamber, for a command that may make it; it must be named."""


def config_and_rest(words: tuple[str, ...], *, most: int) -> tuple[Path, tuple[str, ...]]:
    """Split ``[CONFIG] WORD…`` where the chamber may be left out.

    Args:
        words: As they were typed.
        most: How many words there may be beside the chamber.

    Raises:
        click.UsageError: There are too many, or the chamber must be named.
    """
    if len(words) > most + 1:
        raise click.UsageError(f"found {len(words)} words, allowed: [CONFIG] and {most} more")
    if len(words) == most + 1:
        return Instance().convert(words[0], None, None), words[1:]
    return only_instance(), words
