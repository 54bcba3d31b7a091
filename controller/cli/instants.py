"""Instants that people type."""

from __future__ import annotations

from datetime import datetime, tzinfo

import click


def instant(text: str, *, option: str, zone: tzinfo | None = None) -> datetime:
    """Return an instant, aware.

    Args:
        text: ISO 8601; without an offset it is local time.
        option: The option that it came with, for the message.
        zone: The chamber's zone; None: the machine's.

    Raises:
        click.BadParameter: It is not an instant.
    """
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(
            f'found "{text}", allowed: ISO 8601 such as 2026-07-01T18:30', param_hint=option
        ) from None
    if at.tzinfo is None and zone is not None:
        return at.replace(tzinfo=zone)
    return at.astimezone()
