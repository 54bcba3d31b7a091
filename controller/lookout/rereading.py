"""The lookout's configuration, read again at SIGHUP as the control process does.

Page, forecast and notices begin anew with what it says now; where it cannot be used they go on as
they are, and the log says why.
"""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable, Iterator
from types import FrameType

from controller.errors import ControllerError, SettingsError
from controller.log import Logger
from controller.service_manager import Notifier

_log = Logger("coldpin.lookout")


class Rereading:
    """Whether the lookout is to begin anew with what its configuration says now."""

    def __init__(self, notifier: Notifier, check: Callable[[], object]) -> None:
        """Wait for nothing yet.

        Args:
            notifier: Learns when the configuration is read; of its end whoever listens tells it.
            check: Raises a ControllerError where nothing could begin with the configuration.
        """
        self._notifier = notifier
        self._check = check
        self._asked = False
        self._taken = False

    @contextlib.contextmanager
    def received(self) -> Iterator[None]:
        """Receive the signal while this lasts, where a service manager may send it.

        Elsewhere it is a terminal's that is closed, and the lookout ends with it.
        """
        if not self._notifier.has_manager:
            yield
            return
        before = signal.signal(signal.SIGHUP, self._note)
        try:
            yield
        finally:
            signal.signal(signal.SIGHUP, before)

    def ends_this(self) -> bool:
        """Return whether what serves now is to end, because the configuration can be used."""
        if not self._asked:
            return self._taken
        self._asked = False
        self._notifier.reloading()
        try:
            self._check()
        except ControllerError as error:
            problems = error.problems if isinstance(error, SettingsError) else (str(error),)
            for problem in problems:
                _log.error("config_kept_as_it_was", problem=problem)
            self._notifier.ready()
            return self._taken
        self._taken = True
        return True

    def taken(self) -> bool:
        """Return whether something is to begin anew, once for each time."""
        taken, self._taken = self._taken, False
        return taken

    def _note(self, _number: int, _frame: FrameType | None) -> None:
        self._asked = True
