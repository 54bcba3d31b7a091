"""A load whose driver may hang: each call has a deadline, and no load waits for another one.

The driver runs in a thread of its own. A call that is not back in time counts as a failure; when it
comes back after all, the thread puts the load off by itself, because by then nobody knows what the
late call has done.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

from controller.errors import OutputError, words_of
from controller.outputs.protocol import Output

SWITCH_WITHIN_S = 1.0
OPEN_WITHIN_S = 5.0
"""Opening loads a library and asks the kernel for a line."""
Result = TypeVar("Result")


class BoundedOutput:
    """An `Output` that never keeps its caller for longer than a deadline."""

    def __init__(self, name: str, opening: Callable[[], Output]) -> None:
        """Begin to open the load in a thread of its own; `wait_open` waits for the end of that.

        Args:
            name: Of the load, for the thread.
            opening: Opens the driver's own output, with the load off.
        """
        self._output: Output | None = None
        self._opening = opening
        self._calls: queue.SimpleQueue[tuple[Future[Any], Callable[[], object]] | None]
        self._calls = queue.SimpleQueue()
        self._late_lock = threading.Lock()
        self._late: Future[Any] | None = None
        """The call that has missed its deadline and is not back."""
        self._closed: Future[None] | None = None
        self._opened = self._begin(self._open)
        threading.Thread(target=self._work, name=f"load-{name}", daemon=True).start()

    @property
    def hangs(self) -> bool:
        """Whether a call to the driver has missed its deadline and is not back."""
        return self._late is not None

    def wait_open(self) -> None:
        """Wait until the load is open.

        Raises:
            OutputError: The hardware is not there, busy or not permitted, or the driver hangs.
        """
        self._end(self._opened, "to open", OPEN_WITHIN_S)

    def switch(self, on: bool) -> None:
        """Switch the load on or off.

        Raises:
            OutputError: The hardware did not take it, or the driver hangs.
        """
        self._call(lambda: self._driver.switch(on), f"to switch {'on' if on else 'off'}")

    def read_back(self) -> bool | None:
        """Return what the hardware says the load is, or None where it cannot tell.

        Raises:
            OutputError: The driver hangs.
        """
        return self._call(self._read_back, "to read back")

    def close(self) -> None:
        """Switch the load off and let go of the hardware.

        Raises:
            OutputError: The hardware did not take it, or the driver hangs.
        """
        self.begin_close()()

    def begin_close(self) -> Callable[[], None]:
        """Begin to close without waiting, so that several loads close at once.

        Returns:
            What waits for the end, and raises as `close` does.
        """
        if self._closed is None:  # a second time only waits for the first
            self._closed = self._begin(self._close)
        closed = self._closed

        def wait() -> None:
            self._end(closed, "to close", SWITCH_WITHIN_S)
            self._calls.put(None)

        return wait

    @property
    def _driver(self) -> Output:
        if self._output is None:
            raise OutputError("the load is not open")
        return self._output

    def _read_back(self) -> bool | None:
        return self._driver.read_back()

    def _close(self) -> None:
        self._driver.close()

    def _open(self) -> None:
        self._output = self._opening()

    def _call(self, work: Callable[[], Result], what: str) -> Result:
        if self._late is not None:
            # a further call would only queue up behind the one that hangs
            raise OutputError("the driver has not answered an earlier call yet")
        return self._end(self._begin(work), what, SWITCH_WITHIN_S)

    def _begin(self, work: Callable[[], Result]) -> Future[Result]:
        future: Future[Result] = Future()
        self._calls.put((future, work))
        return future

    def _end(self, future: Future[Result], what: str, within_s: float) -> Result:
        try:
            return future.result(within_s)
        except TimeoutError:
            with self._late_lock:
                if not future.done():
                    self._late = future
                    raise OutputError(
                        f"the driver was asked {what} and has not answered within {within_s:g} s"
                    ) from None
        return future.result()

    def _work(self) -> None:
        while (call := self._calls.get()) is not None:
            future, work = call
            try:
                result = work()
            except OutputError as error:
                future.set_exception(error)
            except BaseException as error:  # noqa: BLE001 - a driver that asks to exit fails, no more
                failed = OutputError(f"{type(error).__name__}: {words_of(error)}")
                failed.__cause__ = error
                future.set_exception(failed)
            else:
                future.set_result(result)
            with self._late_lock:
                came_late = self._late is future
                if came_late:
                    self._late = None
            if came_late:
                self._put_off_after_a_late_call()

    def _put_off_after_a_late_call(self) -> None:
        output = self._output
        if output is None:
            return
        try:
            if self._closed is not None:
                output.close()
            else:
                output.switch(False)
        except Exception:  # noqa: BLE001, S110 - the loop's next call reports what is wrong
            pass
