"""What was answered in a first run that has not ended, so that it goes on after a restart."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from controller.domain.codec import UnreadableError
from controller.domain.first_run import FIRST_RUN_CODEC, CheckedStep, FirstRun
from controller.records.durable import replace_file

PROGRESS = "first-run-so-far.json"
GOES_ON_WITHIN = timedelta(days=1)
"""After a day the wiring may be another one: it begins anew."""
ASKED = "asked"
"""Outcome of a step that a person was sent away to do; its note names the boot."""


class Progress:
    """The answers so far, each written as it is given."""

    def __init__(self, place: Path, config: Path, *, chamber: str, now: datetime) -> None:
        """Read what an earlier call left, where it is about the same configuration.

        Args:
            place: The state directory.
            config: The configuration; another content begins anew.
            chamber: Its name.
            now: Aware.
        """
        self._path = place / PROGRESS
        self._run = FirstRun(
            chamber=chamber,
            config_sha256=hashlib.sha256(config.read_bytes()).hexdigest(),
            steps=(),
            at=now,
            who="",
            signed=False,
        )
        with contextlib.suppress(OSError, UnicodeDecodeError, UnreadableError):
            kept = FIRST_RUN_CODEC.read(self._path.read_text(encoding="utf-8"))
            same = (kept.chamber, kept.config_sha256) == (chamber, self._run.config_sha256)
            if same and timedelta() <= now - kept.at < GOES_ON_WITHIN:
                self._run = replace(self._run, steps=kept.steps)

    @property
    def config_sha256(self) -> str:
        """Sum of the configuration as it was when this call began."""
        return self._run.config_sha256

    @property
    def steps(self) -> dict[str, CheckedStep]:
        """What was answered, by the names of the steps."""
        return {step.name: step for step in self._run.steps}

    def keep(self, steps: Iterable[CheckedStep]) -> None:
        """Write the answers.

        Raises:
            OSError: They cannot be written.
        """
        self._run = replace(self._run, steps=tuple(steps))
        replace_file(self._path, FIRST_RUN_CODEC.text(self._run))

    def end(self) -> None:
        """Forget them: the first run has ended, or begins anew."""
        self._run = replace(self._run, steps=())
        self._path.unlink(missing_ok=True)
