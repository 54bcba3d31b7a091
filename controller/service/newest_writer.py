"""A thread that writes the newest of what it is given, so that a slow medium delays nobody."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

import structlog

Value = TypeVar("Value")

_log = structlog.get_logger("coldpin")


class NewestWriter(Generic[Value]):
    """Writes values in the order given, leaving out those that a newer one has overtaken."""

    def __init__(self, name: str, write: Callable[[Value], None]) -> None:
        """Start the thread.

        Args:
            name: What is written, for the log and the thread.
            write: Writes one value; an OSError is told once and the next value is tried.
        """
        self._name = name
        self._write = write
        self._newest: Value | None = None
        self._closing = False
        self._changed = threading.Condition()
        self._failed = False
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def give(self, value: Value) -> None:
        """Hand over what to write, without waiting."""
        with self._changed:
            self._newest = value
            self._changed.notify()

    def close(self, timeout_s: float = 1.0) -> None:
        """Write what waits, if the medium allows it within the time [s]."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._newest is not None or self._closing)
                value, self._newest = self._newest, None
            if value is None:
                return
            try:
                self._write(value)
            except OSError as error:
                if not self._failed:
                    _log.error("not_written", what=self._name, error=str(error))
                self._failed = True
            else:
                self._failed = False
