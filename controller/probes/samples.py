"""What a place of temperatures must offer. Imports nothing of ours."""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple, Protocol


class Fault(Enum):
    """Why one reading was refused; counted per probe, in the words a person sees."""

    ABSENT = "not on the bus"
    UNREADABLE = "file not readable"
    LATE = "read took too long: its value may be old"
    EMPTY = "empty read"
    BAD_TEXT = "text not understood"
    BAD_CRC = "checksum wrong"
    ALL_ZERO = "all bytes zero (data line shorted?)"
    NOT_A_PROBE = "bytes no DS18B20 gives"
    POWER_ON = "power-on value: the probe has power but did not convert"
    NOT_CONVERTED = "conversion failed for lack of power (127.94 °C)"
    NOT_A_NUMBER = "not a number"
    OUT_OF_RANGE = "outside the plausible range"
    JUMP = "jump faster than physics allows"


class Sample(NamedTuple):
    """One attempt to read one probe: a temperature or a fault, never both."""

    at: float
    """Monotonic instant at which the reading was complete [s]."""
    value_mc: int | None
    """Temperature as the probe gave it [m°C], before its offset; None with a fault."""
    fault: Fault | None = None
    raw: str = ""
    """The bytes or text as read, for the log."""


class SampleSource(Protocol):
    """Gives what has been read since it was last asked, without ever waiting."""

    def collect(self, now: float) -> Sequence[tuple[str, Sample]]:
        """Return (probe name, sample) pairs in the order in which they were read.

        Args:
            now: Monotonic instant of the tick that asks [s].
        """
        ...

    def close(self) -> None:
        """Stop reading. May be called twice; must not wait for a stuck read."""
        ...
