"""A thread that works from `begin` to `close`."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

JOINED_FOR_S = 3.0
"""How long `close` waits for the thread [s]; it is a daemon and holds up no exit."""


class Worker(ABC):
    """Something that works in a thread of its own."""

    def __init__(self, name: str) -> None:
        """Prepare the thread; nothing runs until `begin`.

        Args:
            name: The thread's.
        """
        self._stop = threading.Event()
        """Set once the work is to end; `_work` waits on it between its turns."""
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    def begin(self) -> None:
        """Begin to work."""
        self._thread.start()

    def close(self) -> None:
        """Stop working, and wait a moment for the end."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(JOINED_FOR_S)

    @abstractmethod
    def _work(self) -> None:
        """Work until `_stop` is set."""
