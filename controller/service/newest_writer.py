"""A thread that writes the newest of what it is given, so that a slow medium delays nobody."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from controller.errors import words_of
from controller.log import Logger

Value = TypeVar("Value")

_log = Logger("coldpin")


class NewestWriter(Generic[Value]):
    """Writes values in the order given, leaving out those that a newer one has overtaken."""

    def __init__(
        self,
        name: str,
        write: Callable[[Value], object],
        *,
        on_failure: Callable[[], object] = lambda: None,
    ) -> None:
        """Start the thread.

        Args:
            name: What is written, for the log and the thread.
            write: Writes one value; an error is logged once and the next value is tried.
            on_failure: Called in the thread after a write that failed; must not raise.
        """
        self._name = name
        self._write = write
        self._on_failure = on_failure
        self._newest: Value | None = None
        self._given = self._written = 0
        self._closing = False
        self._changed = threading.Condition()
        self._failed = False
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    @property
    def failed(self) -> bool:
        """Whether the last write failed."""
        return self._failed

    def give(self, value: Value) -> None:
        """Hand over what to write, without waiting."""
        with self._changed:
            self._newest = value
            self._given += 1
            self._changed.notify_all()

    def wait_written(self, within_s: float) -> bool:
        """Wait until all that was given has been written; return whether it was within this [s].

        A write that fails ends the wait at once.
        """
        with self._changed:
            given = self._given
            self._changed.wait_for(lambda: self._written >= given, within_s)
            return self._written >= given and not self._failed

    def close(self, timeout_s: float = 1.0) -> bool:
        """Write what waits, and return whether the medium allowed it within the time [s]."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        return not (self._thread.is_alive() or self._failed)

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._newest is not None or self._closing)
                value, self._newest = self._newest, None
                number = self._given
            if value is None:
                return
            try:
                self._write(value)
            except Exception as error:  # noqa: BLE001 - a thread that ended would look like success
                if not self._failed:
                    _log.error("not_written", what=self._name, error=words_of(error))
                failed = True
                self._on_failure()
            else:
                if self._failed:
                    _log.info("written_again", what=self._name)
                failed = False
            with self._changed:
                self._failed = failed
                self._written = number
                self._changed.notify_all()
