"""What systemd and people ask of the process by a signal, and the sleep that a signal ends."""

from __future__ import annotations

import contextlib
import os
import select
import signal
from collections.abc import Iterator
from types import FrameType

_DRAIN_BYTES = 4096


class Signals:
    """SIGTERM and SIGINT stop the process, SIGHUP has it read its configuration again.

    A handler only sets a flag. What ends the sleep is the byte that the interpreter itself writes
    to a pipe at each signal: no lock is taken in a handler, so none can be held by the code that
    the signal interrupted.
    """

    def __init__(self) -> None:
        self.stop: str | None = None
        """Name of the signal that asks for the end; None: none came."""
        self._reload = False
        self._wake_read, self._wake_write = -1, -1

    @property
    def waiting(self) -> bool:
        """Whether something was asked for that is not done yet."""
        return self._reload or self.stop is not None

    def take_reload(self) -> bool:
        """Return whether the configuration shall be read again, once for each request."""
        asked, self._reload = self._reload, False
        return asked

    def sleep(self, for_s: float) -> None:
        """Return after this long [s], or as soon as a signal comes; only while `received`."""
        ready, _, _ = select.select([self._wake_read], [], [], max(0.0, for_s))
        if ready:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_read, _DRAIN_BYTES)

    @contextlib.contextmanager
    def received(self) -> Iterator[None]:
        """Receive the signals while this lasts; afterwards they are as before."""
        self._wake_read, self._wake_write = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        wake_before = signal.set_wakeup_fd(self._wake_write, warn_on_full_buffer=False)
        handlers_before = {
            number: signal.signal(number, self._note)
            for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
        }
        try:
            yield
        finally:
            for number, handler in handlers_before.items():
                signal.signal(number, handler)
            signal.set_wakeup_fd(wake_before)
            os.close(self._wake_write)
            os.close(self._wake_read)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGHUP:
            self._reload = True
        else:
            self.stop = signal.Signals(number).name
