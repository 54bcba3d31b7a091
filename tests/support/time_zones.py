"""The time zone of this process, changed while it runs, as that of the system may be."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files


def zone_file(name: str) -> bytes:
    """Return the rules of a zone in the format of /etc/localtime (RFC 8536)."""
    return (files("tzdata") / "zoneinfo" / name).read_bytes()


@contextmanager
def zone_of_the_process(name: str) -> Iterator[Callable[[str], None]]:
    """Begin in a zone, and yield what changes it; what runs must notice by itself."""
    before = os.environ.get("TZ")

    def change(to: str) -> None:
        os.environ["TZ"] = to

    change(name)
    time.tzset()
    try:
        yield change
    finally:
        os.environ.pop("TZ", None)
        if before is not None:
            os.environ["TZ"] = before
        time.tzset()
