"""What an output driver must offer. Imports nothing of ours.

A driver is found by its name in the entry-point group ``coldpin.outputs``; the entry point
names a class that is built without arguments and offers `OutputDriver`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

OUTPUT_GROUP = "coldpin.outputs"


class Output(Protocol):
    """One relay channel. Opening it leaves the load off, without a blip on the way."""

    def switch(self, on: bool) -> None:
        """Switch the load on or off.

        Raises:
            OutputError: The hardware did not take it.
        """
        ...

    def read_back(self) -> bool | None:
        """Return what the hardware says the load is, or None where it cannot tell."""
        ...

    def close(self) -> None:
        """Switch the load off and let go of the hardware. May be called twice."""
        ...


class OutputDriver(Protocol):
    """A kind of relay hardware: judges its options without touching anything, then opens."""

    hardware: bool
    """True when the driver can energise something; False for a dry driver."""

    def problems(self, options: Mapping[str, object]) -> list[str]:
        """Return what is wrong with a load's own keys; an empty list when they can be used.

        Each problem reads ``KEY: found ..., allowed ..., what to do``. Nothing is touched.
        """
        ...

    def lines(self, options: Mapping[str, object]) -> frozenset[str]:
        """Return the hardware lines that the options claim, in one canonical spelling each.

        Two loads that name one line in two ways must give the same text. Called only with
        options in which `problems` found nothing.
        """
        ...

    def describe(self, options: Mapping[str, object]) -> str:
        """Return the wiring in a few words for the table of ``coldpin check``."""
        ...

    def open(self, options: Mapping[str, object]) -> Output:
        """Claim the hardware with the load off.

        Raises:
            OutputError: The hardware is not there, busy, or not permitted; says which.
        """
        ...
