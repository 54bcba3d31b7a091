"""An output driver of a third party: the gpio driver, with switches that are files.

While /srv/w1/hang exists a switch never comes back, while /srv/w1/raise exists it raises what no
driver should, while /srv/w1/die exists what it raises is nothing that anybody catches, and while
/srv/w1/crash exists the process ends at once.
"""

from __future__ import annotations

import os
import time
from collections.abc import Mapping
from pathlib import Path

from controller.outputs.gpio import GpioDriver
from controller.outputs.protocol import Output

SWITCHES = Path("/srv/w1")


class FaultyOutput:
    """A relay that can be made to fail."""

    def __init__(self, output: Output) -> None:
        self._output = output

    def switch(self, on: bool) -> None:
        """Switch, unless something else was asked for."""
        while (SWITCHES / "hang").exists():
            time.sleep(0.5)
        if (SWITCHES / "raise").exists():
            raise RuntimeError("made to fail")
        if (SWITCHES / "die").exists():
            raise GeneratorExit("made to end the loop")
        self._output.switch(on)

    def read_back(self) -> bool | None:
        """Return what the hardware says; or raise."""
        if (SWITCHES / "raise").exists():
            raise RuntimeError("made to fail")
        return self._output.read_back()

    def close(self) -> None:
        """Close."""
        self._output.close()


class FaultyDriver(GpioDriver):
    """The gpio driver, opened with a relay that can be made to fail."""

    def open(self, options: Mapping[str, object]) -> Output:  # type: ignore[override]
        """Open; or end the process."""
        if (SWITCHES / "crash").exists():
            os._exit(1)
        return FaultyOutput(super().open(options))
