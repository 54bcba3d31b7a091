"""One guard for every tool that switches a load on without the control law behind it.

A load is on for a limited time and off at any end: an answer, an error, a signal, a lost terminal.
A second process, in a session of its own, is the last resort: it switches off by ``coldpin off``
when the tool dies without an end, and ends a tool that holds a load on for too long. Where there is
a service manager, that one stands behind both (`standby`). The rest of the pump is the service's: a
tool waits for it, and leaves it behind.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType

from controller.commissioning.ending import switch_off
from controller.commissioning.standby import manager_stands_by
from controller.core.state import Cooling
from controller.domain.places import KEPT_TIMERS
from controller.errors import ControllerError, StillOnError, words_of
from controller.records.boot import boot_id
from controller.service.timer_store import TimerStore, stopped

ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)
GRACE_S = 5.0
"""Beyond the time for which a load may be on, before the second process steps in [s]."""
MANAGER_GRACE_S = 5.0
"""Beyond that, before the service manager does [s]."""
READY = b"ready"
Energised = Callable[[str, float], contextlib.AbstractContextManager[None]]
"""Called with the name of a load and for how long it may be on [s]."""


def unguarded(_name: str, _most_s: float) -> contextlib.AbstractContextManager[None]:
    """Guard nothing: for loads that exist in a test only."""
    return contextlib.nullcontext()


class StoppedBySignalError(ControllerError):
    """A signal ended the tool; every load is off."""


def still_on(what: str, reason: BaseException) -> StillOnError:
    """Return the error of a tool that could not switch off what it had on."""
    return StillOnError(
        f"{what} could not be switched off and may be running: {words_of(reason)}. Cut the supply "
        "by hand now"
    )


@contextlib.contextmanager
def signals_end_off() -> Iterator[None]:
    """Let every signal that ends a tool end it as an error does: by way of switching off.

    Raises:
        StoppedBySignalError: One came. Further ones are ignored until the loads are off.
    """

    def end(number: int, _frame: FrameType | None) -> None:
        for each in ENDING:
            signal.signal(each, signal.SIG_IGN)
        raise StoppedBySignalError(f"stopped by {signal.Signals(number).name}; every load is off")

    before = {number: signal.signal(number, end) for number in ENDING}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class LoadGuard:
    """Stands behind each load that a tool switches on."""

    def __init__(
        self,
        config: Path,
        place: Path,
        *,
        rest_s: float,
        say: Callable[[str], object],
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        """Prepare; nothing is switched.

        Args:
            config: The configuration, for the last resort.
            place: The state directory, locked by this process.
            rest_s: Rest of the pump between two runs [s].
            say: Is given what the person waits for.
            sleep: Waits for a number of seconds.
        """
        self._config = config
        self._place = place
        self._rest_s = rest_s
        self._say = say
        self._sleep = sleep

    @contextlib.contextmanager
    def energised(self, name: str, most_s: float) -> Iterator[None]:
        """Allow a load to be switched on inside; whoever does so switches it off inside too.

        Args:
            name: Of the load; the pump's rest is waited for, and kept.
            most_s: For how long it may be on [s].
        """
        with contextlib.ExitStack() as stack:
            if name == "pump":
                stack.enter_context(self._rested())
            within_s = most_s + GRACE_S
            manager_within_s = within_s + MANAGER_GRACE_S
            stack.enter_context(manager_stands_by(self._config, manager_within_s, say=self._say))
            stack.enter_context(last_resort(self._config, within_s))
            yield

    @contextlib.contextmanager
    def _rested(self) -> Iterator[None]:
        ran_before = (self._place / KEPT_TIMERS).exists()
        timers = TimerStore(self._place, boot=boot_id())
        cooling = timers.begun(time.monotonic()).cooling
        left_s = self._rest_s - (time.monotonic() - cooling.pump_since)
        if ran_before and left_s > 0:
            self._say(f"The pump rests {left_s:.0f} s more before it may start.")
            self._sleep(left_s)
        now = time.monotonic()
        running: Cooling = cooling._replace(pump=True, pump_since=now)
        timers.before_start(running, now)
        try:
            yield
        finally:
            timers.close(stopped(running, time.monotonic()), time.monotonic())


@contextlib.contextmanager
def last_resort(config: Path, within_s: float) -> Iterator[None]:
    """Have a second process switch off, should this one die inside or stay for too long.

    It does so too where this one could not (`StillOnError`).

    Args:
        config: What `coldpin off` is called with.
        within_s: After this long [s] this process is ended.
    """
    is_off = True
    watcher = subprocess.Popen(  # noqa: S603 - our own module, with our own arguments
        [sys.executable, "-m", "controller.commissioning.load_guard", str(os.getpid()),
         str(within_s), str(config.absolute())],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        start_new_session=True,
    )  # fmt: skip
    assert watcher.stdin is not None
    assert watcher.stdout is not None
    try:
        if watcher.stdout.read(len(READY)) != READY:
            raise ControllerError("the guard of the loads did not start; nothing was switched on")
        yield
    except StillOnError:
        is_off = False
        raise
    finally:
        with contextlib.suppress(OSError):
            if is_off:
                watcher.stdin.write(b"done")
            watcher.stdin.close()
        watcher.stdout.close()
        if is_off:  # else it goes on trying while this process lets go of the line and ends
            with contextlib.suppress(subprocess.TimeoutExpired):
                watcher.wait(GRACE_S)


def watch(tool: int, within_s: float, config: str) -> int:
    """Wait for the good end of a tool, and switch its loads off where it has none.

    Args:
        tool: Its process id; it holds the other end of our standard input.
        within_s: How long it may take [s].
        config: Its configuration.
    """
    for each in ENDING:
        signal.signal(each, signal.SIG_IGN)
    sys.stdout.buffer.write(READY)
    sys.stdout.flush()
    ready, _, _ = select.select([0], [], [], within_s)
    if ready and os.read(0, 16):
        return 0
    if not ready:
        os.kill(tool, signal.SIGKILL)  # it lives, as its end of the pipe is open
    return switch_off(config)


if __name__ == "__main__":
    sys.exit(watch(int(sys.argv[1]), float(sys.argv[2]), sys.argv[3]))
