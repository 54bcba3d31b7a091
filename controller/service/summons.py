"""What systemd and people ask of the process by a signal, and the sleep that a signal ends."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType


class Summons:
    """SIGTERM and SIGINT stop the process, SIGHUP has it read its configuration again."""

    def __init__(self) -> None:
        self.stop: str | None = None
        """Name of the signal that asks for the end; None: none came."""
        self.reload = False
        """Whether the configuration shall be read again; whoever does it puts this back."""
        self._wake = threading.Event()

    @property
    def waiting(self) -> bool:
        """Whether something was asked for that is not done yet."""
        return self.reload or self.stop is not None

    def sleep(self, for_s: float) -> None:
        """Return after this long [s], or as soon as a signal comes."""
        self._wake.wait(for_s)
        self._wake.clear()

    @contextlib.contextmanager
    def heard(self) -> Iterator[None]:
        """Take the signals while this lasts; afterwards they are what they were."""
        before = {
            number: signal.signal(number, self._take)
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _take(self, number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGHUP:
            self.reload = True
        else:
            self.stop = signal.Signals(number).name
        self._wake.set()
