"""A configuration that is read again while the service runs, by a thread of its own."""

from __future__ import annotations

from pathlib import Path

from controller.errors import SettingsError, words_of
from controller.service.bus import started
from controller.service.kept_wiring import KeptLoad
from controller.service.wiring import Plan, plan_of
from controller.service.wiring_store import WiringStore

WIRING_WITHIN_S = 2.0
"""How long a start or a reload waits for the medium to take the wiring."""


class ConfigurationReading:
    """A configuration that is being read by a thread of its own."""

    def __init__(self, config: Path, old: Plan, wiring: WiringStore) -> None:
        self.plan: Plan | None = None
        self.problems: tuple[str, ...] = ()
        self._config = config
        self._old = old
        self._wiring = wiring
        self._thread = started(self._read, "reload")
        if self._thread is None:
            self.problems = ("the machine has no thread left to read it; ask again later",)

    @property
    def done(self) -> bool:
        """Whether it has been read, or cannot be."""
        return self._thread is None or not self._thread.is_alive()

    def _read(self) -> None:
        try:
            plan = plan_of(self._config)
        except SettingsError as error:
            self.problems = error.problems
            return
        except Exception as error:  # noqa: BLE001 - whatever is in the file, the old one goes on
            self.problems = (f"{type(error).__name__}: {words_of(error)}",)
            return
        # before a new line is opened, `coldpin off` must be able to find it beside the old ones
        old = kept_loads(self._old)
        union = [*old, *(load for load in kept_loads(plan) if load not in old)]
        self._wiring.keep(union)
        self._wiring.wait_written(WIRING_WITHIN_S)
        self.plan = plan


def kept_loads(plan: Plan) -> list[KeptLoad]:
    """Return what `coldpin off` must know of the loads of a plan."""
    return [
        KeptLoad(name=load.name, driver=load.driver_name, options=load.options)
        for load in plan.loads
    ]
