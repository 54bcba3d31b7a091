"""Pump and fan as one: switches what changed, checks what it can, and falls back to off."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from controller.core.state import Decision
from controller.errors import OutputError, words_of
from controller.log import Logger
from controller.outputs.bounded import BoundedOutput
from controller.outputs.protocol import Output

SIGNAL = "signal"
"""Name of the load that calls people."""
CHECK_EVERY_S = 5.0
"""How often a resting output is read back, which is every ordinary tick; a switch is read back at
once."""

_log = Logger("coldpin.outputs")


class OutputBank:
    """The loads of one chamber, opened with everything off."""

    def __init__(
        self, outputs: Mapping[str, Output], *, on: Mapping[str, bool | None] | None = None
    ) -> None:
        """Take over open loads.

        Args:
            outputs: Output by name of the load.
            on: What is known of loads that were open before; the others are off.
        """
        self._outputs = dict(outputs)
        self._on: dict[str, bool | None] = {**dict.fromkeys(self._outputs, False), **(on or {})}
        self._reported: dict[str, str] = {}
        self._last: Decision | None = None
        self._check_at = float("-inf")
        self.fault: str | None = None
        """The load that last failed to obey; None once all obeyed again."""

    @property
    def hanging(self) -> tuple[str, ...]:
        """Names of loads whose driver has missed a deadline and is still busy.

        Only another process can still switch them.
        """
        return tuple(
            name
            for name, output in self._outputs.items()
            if isinstance(output, BoundedOutput) and output.hangs
        )

    def apply(self, decision: Decision, now: float) -> None:
        """Bring the loads to what was decided.

        A load that fails puts everything off at once and is named in `fault`, for the next decision
        to see. Nothing is raised.
        """
        if decision is self._last and now < self._check_at and self.fault is None:
            return
        self._last = decision
        failed = None
        check = now >= self._check_at
        for name, on in (("pump", decision.pump), ("fan", decision.fan)):
            if failed is None and not self._bring(name, on=on, check=check):
                failed = name
        if check:
            self._check_at = now + CHECK_EVERY_S
        if failed is not None:
            for name in ("pump", "fan"):
                self._bring(name, on=False, check=True)
        self.fault = failed

    def run(self, *, pump: bool, fan: bool) -> None:
        """Bring pump and fan to what a person at commissioning asked for.

        No law stands behind this; the service itself never calls it.

        Raises:
            OutputError: A load does not obey, and which; both were told to go off.
        """
        for name, on in (("pump", pump), ("fan", fan)):
            if not self._bring(name, on=on, check=True):
                problem = f"{name} does not obey: {self._reported[name]}"
                for each in ("pump", "fan"):
                    self._bring(each, on=False, check=True)
                raise OutputError(problem)

    def signal(self, *, on: bool) -> None:
        """Bring the lamp or buzzer to what is wanted, where one is fitted.

        One that fails is reported once and tried again; it stops no cooling and is no `fault`.
        """
        if SIGNAL not in self._outputs or (self._on[SIGNAL] is on):
            return
        self._bring(SIGNAL, on=on, check=False)

    def is_on(self, name: str) -> bool:
        """Return whether a load is known to be on."""
        return self._on[name] is True

    def _bring(self, name: str, *, on: bool, check: bool) -> bool:
        """Switch one load if it is not known to be so already; return whether it obeys."""
        output = self._outputs[name]
        try:
            if self._on[name] is not on:
                self._on[name] = None  # unknown until the hardware has taken it
                output.switch(on)
                check = True
            if check:
                read = output.read_back()
                if read is not None and read is not on:
                    self._on[name] = None
                    fault = f"reads back {'on' if read else 'off'}"
                    if fault != self._reported.get(name):
                        _log.error("output_reads_back_wrong", load=name, wanted=on, found=read)
                    self._reported[name] = fault
                    return False
            self._on[name] = on
        except Exception as error:  # noqa: BLE001 - any driver's failure ends in off
            fault = words_of(error)
            if fault != self._reported.get(name):
                _log.error("output_failed", load=name, wanted=on, error=fault)
            self._reported[name] = fault
            return False
        self._reported.pop(name, None)
        return True

    @property
    def names(self) -> frozenset[str]:
        """Names of the loads that are open."""
        return frozenset(self._outputs)

    def output(self, name: str) -> Output:
        """Return one load."""
        return self._outputs[name]

    def rewired(self, opened: Mapping[str, Output], *, keep: Collection[str]) -> OutputBank:
        """Return a bank of loads that were opened just now, and of those kept as they are.

        Args:
            opened: The new ones, off.
            keep: Names of loads of this bank that go on.
        """
        kept = {name: self._outputs[name] for name in keep if name in self._outputs}
        return OutputBank({**kept, **opened}, on={name: self._on[name] for name in kept})

    def close(self) -> None:
        """Switch everything off and let go; every load gets its turn whatever another does."""
        close_outputs(self._outputs)


def close_outputs(outputs: Mapping[str, Output]) -> dict[str, str]:
    """Close loads all at once where their drivers are bounded.

    Returns:
        What went wrong by name of each load that failed, which may still be on; it is logged too.
    """
    failed = {}
    waiting: list[tuple[str, Callable[[], None]]] = [
        (name, output.begin_close() if isinstance(output, BoundedOutput) else output.close)
        for name, output in outputs.items()
    ]
    for name, close in waiting:
        try:
            close()
        except BaseException as error:  # noqa: BLE001 - the others must still be closed
            failed[name] = words_of(error)
            _log.error("output_close_failed", load=name, error=failed[name])
    return failed
