"""Hot days that several tests ask for are rehearsed once in a run of the tests.

`coldpin size`, the verdict and the plan rehearse ten hot days of a build, which takes seconds, and
many tests ask about the same build by another door. What came out for the same arguments, to the
last figure, is kept in a folder that all processes of the run share; who asks while another process
rehearses it waits for that. Tests that rehearse by themselves (tests/rehearsal, `rehearsed_spell`)
or ask whether days repeat (`each_rehearsed`) do without it.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.errors import ScenarioError
from controller.planning import build
from controller.rehearsal.hot_day_counter import GivenUpError
from controller.rehearsal.hot_day_figures import HotDays
from controller.rehearsal.hot_days import hot_days
from controller.rehearsal.trace_row import TraceRow
from controller.settings.load import Settings


class SharedDays:
    """Stands in for `hot_days` where planning asks for it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.rehearsed = 0
        """How many were rehearsed by this process."""

    def __call__(
        self,
        settings: Settings,
        *,
        trace: Callable[[TraceRow], None] | None = None,
        **arguments: Any,
    ) -> HotDays:
        """Return what `hot_days` returns, raise what it raises, and trace what it traces."""
        # defaults and units are in the models' own texts; `repr` of a float loses no digit
        key = repr((settings, trace is not None, sorted(arguments.items())))
        file = self._folder / hashlib.sha256(key.encode()).hexdigest()
        with file.open("a+b") as kept:
            fcntl.flock(kept, fcntl.LOCK_EX)
            if kept.seek(0, os.SEEK_END):
                kept.seek(0)
                came, rows = pickle.load(kept)
            else:
                came, rows = self._rehearsed(settings, arguments, traced=trace is not None)
                pickle.dump((came, rows), kept)
        for row in rows:
            assert trace is not None
            trace(row)
        if isinstance(came, Exception):
            raise came
        return came

    def _rehearsed(
        self, settings: Settings, arguments: dict[str, Any], *, traced: bool
    ) -> tuple[HotDays | Exception, list[TraceRow]]:
        rows: list[TraceRow] = []
        self.rehearsed += 1
        try:
            return hot_days(settings, trace=rows.append if traced else None, **arguments), rows
        except (ScenarioError, GivenUpError) as error:
            return error, rows


@contextmanager
def each_rehearsed() -> Iterator[None]:
    """Within it every hot day is rehearsed anew."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build, "hot_days", hot_days)
        yield
