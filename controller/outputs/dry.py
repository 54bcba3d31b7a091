"""Outputs that switch nothing: for rehearsals, laptops and tests."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from controller.errors import OutputError
from controller.outputs.options import unknown_keys

HISTORY_LENGTH = 1024
"""Changes that an output remembers; a service that runs dry for a month must not grow."""


class DryOutput:
    """An output that only remembers what it was told."""

    def __init__(self) -> None:
        self._on = False
        self._closed = False
        self._history: deque[bool] = deque(maxlen=HISTORY_LENGTH)

    @property
    def on(self) -> bool:
        """Whether it is on."""
        return self._on

    @property
    def history(self) -> tuple[bool, ...]:
        """The last changes since it was opened off, oldest first."""
        return tuple(self._history)

    def switch(self, on: bool) -> None:
        """Remember the state wanted.

        Raises:
            OutputError: The output was closed.
        """
        if self._closed:
            raise OutputError("a dry output was switched after it was closed; open it anew")
        self._note(on)

    def read_back(self) -> bool | None:
        """Return the state remembered."""
        return self._on

    def close(self) -> None:
        """Switch off for good."""
        self._note(False)
        self._closed = True

    def _note(self, on: bool) -> None:
        if on is not self._on:
            self._on = on
            self._history.append(on)


class DryDriver:
    """Opens outputs without any hardware; chosen by name, never fallen back to."""

    hardware = False

    def problems(self, options: Mapping[str, object]) -> list[str]:
        """Refuse every key: there is nothing to set, and a pin here would be taken for wired."""
        return unknown_keys(options, ())

    def lines(self, options: Mapping[str, object]) -> frozenset[str]:  # noqa: ARG002 - protocol
        """Return no line."""
        return frozenset()

    def describe(self, options: Mapping[str, object]) -> str:  # noqa: ARG002 - protocol
        """Say that nothing is wired."""
        return "dry: switches nothing"

    def open(self, options: Mapping[str, object]) -> DryOutput:  # noqa: ARG002 - protocol
        """Return an output that is off."""
        return DryOutput()
