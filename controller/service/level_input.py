"""The level switch of a chamber, opened anew only when its table has changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from controller.errors import OutputError, words_of
from controller.log import Logger
from controller.outputs.level import open_level
from controller.settings.models import Level

_log = Logger("coldpin.level")


class Switch(Protocol):
    """What can be asked whether there is water."""

    def read(self) -> bool:
        """Return whether there is water enough."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class LevelInput:
    """Whether there is water enough; None where no switch is configured."""

    def __init__(self, open_switch: Callable[[int], Switch] = open_level) -> None:
        """Begin without a switch.

        Args:
            open_switch: Opens the switch on a GPIO line; raises `OutputError`.
        """
        self._open_switch = open_switch
        self._table: Level | None = None
        self._switch: Switch | None = None

    def configure(self, table: Level | None) -> None:
        """Use the switch of this table from now on; one that cannot be opened reads as empty."""
        if table == self._table:
            return
        self.close()
        self._table = table
        if table is None:
            return
        try:
            self._switch = self._open_switch(table.pin)
        except OutputError as error:
            _log.error("level_switch_not_open", problem=str(error), reads_as="empty")

    def read(self) -> bool | None:
        """Return whether there is water enough; None: no switch is configured."""
        if self._table is None:
            return None
        return self._switch is not None and self._switch.read()

    def close(self) -> None:
        """Let go of the switch."""
        switch, self._switch, self._table = self._switch, None, None
        if switch is None:
            return
        try:
            switch.close()
        except Exception as error:  # noqa: BLE001 - an input that stays claimed costs no cooling
            _log.error("level_switch_not_closed", error=words_of(error))
