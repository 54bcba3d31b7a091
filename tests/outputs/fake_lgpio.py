"""A stand-in for lgpio and the kernel's GPIO lines that records every call and every level.

It keeps to what lgpio 0.2.2.0 does (src/lgGpio.c) where that matters for relays:

- a claim of a line that is an output already changes nothing, its level included;
- reading or writing a line that is not claimed claims it;
- a freed line keeps its level where the kernel persists outputs (Raspberry Pi's kernels), and
  else becomes an input.
"""

from __future__ import annotations

import types
from dataclasses import dataclass, field

FLOAT = "float"
"""What a line carries that is claimed as an input without pull."""
INPUT = "input"
"""What a line carries that nobody holds, on a kernel that does not persist outputs."""

LIBRARY_ERRORS = {-78: "can not open gpiochip", -79: "GPIO busy", -85: "unexpected error"}


class LgpioError(Exception):
    """As lgpio.error: no OSError, its text in quotes."""

    def __init__(self, value: str) -> None:
        super().__init__(value)
        self.value = value

    def __str__(self) -> str:
        return repr(self.value)


@dataclass
class Lines:
    """The lines of one chip, as wires would see them, and the library on top of them."""

    chips: frozenset[int] = frozenset({0})
    persist: bool = True
    held_elsewhere: dict[int, str] = field(default_factory=dict)
    """Lines that another program holds, and its name as the kernel gives it."""
    calls: list[tuple[object, ...]] = field(default_factory=list)
    wire: dict[int, list[object]] = field(default_factory=dict)
    """What each line carried from the first touch on: 0, 1, FLOAT or INPUT. Given at the start, it
    is what an earlier process left behind."""
    claimed: dict[tuple[int, int], str] = field(default_factory=dict)
    open_handles: dict[int, int] = field(default_factory=dict)
    refuse_writes: bool = False

    def level(self, line: int) -> object:
        """What the line carries now."""
        return self.wire[line][-1]

    def module(self) -> types.ModuleType:
        """Return the lines dressed as the module lgpio."""
        lgpio = types.ModuleType("lgpio")
        lgpio.__dict__.update(
            error=LgpioError,
            error_text=LIBRARY_ERRORS.__getitem__,
            CANNOT_OPEN_CHIP=-78,
            GPIO_BUSY=-79,
            SET_PULL_NONE=128,
            SET_PULL_UP=32,
            SET_PULL_DOWN=64,
            RISING_EDGE=1,
            FALLING_EDGE=2,
            BOTH_EDGES=3,
            **{name: getattr(self, name) for name in dir(self) if name.startswith("gpio")},
        )
        return lgpio

    def gpiochip_open(self, chip: int) -> int:
        self.calls.append(("gpiochip_open", chip))
        if chip not in self.chips:
            raise LgpioError(LIBRARY_ERRORS[-78])
        handle = 1 + max(self.open_handles, default=0)
        self.open_handles[handle] = chip
        return handle

    def gpiochip_close(self, handle: int) -> None:
        self.calls.append(("gpiochip_close",))
        for owner, line in list(self.claimed):
            if owner == handle:
                self._free(owner, line)
        del self.open_handles[handle]

    def gpio_claim_input(self, handle: int, line: int, flags: int = 0) -> None:
        self.calls.append(("gpio_claim_input", line, flags))
        self._claim(handle, line, "input", FLOAT if flags == 128 else INPUT)

    def gpio_claim_output(self, handle: int, line: int, level: int = 0, flags: int = 0) -> None:
        self.calls.append(("gpio_claim_output", line, level, flags))
        self._claim(handle, line, "output", level)

    def gpio_free(self, handle: int, line: int) -> None:
        self.calls.append(("gpio_free", line))
        if (handle, line) not in self.claimed:
            raise LgpioError("GPIO not allocated")
        self._free(handle, line)

    def gpio_write(self, handle: int, line: int, level: int) -> None:
        self.calls.append(("gpio_write", line, int(level)))
        if self.refuse_writes:
            raise LgpioError("bad write")
        if self.claimed.get((handle, line)) != "output":
            self._claim(handle, line, "output", int(level))
        self._carry(line, int(level))

    def gpio_read(self, handle: int, line: int) -> int:
        self.calls.append(("gpio_read", line))
        if (handle, line) not in self.claimed:
            self._claim(handle, line, "input", INPUT)
        return int(self.level(line) == 1)

    def gpio_get_mode(self, handle: int, line: int) -> int:
        return 2 if self.claimed.get((handle, line)) == "output" else 0

    def gpio_get_line_info(self, handle: int, line: int) -> list[object]:
        return [0, line, 0, f"GPIO{line}", self.held_elsewhere.get(line, "")]

    def _claim(self, handle: int, line: int, mode: str, carries: object) -> None:
        if handle not in self.open_handles:
            raise LgpioError("unknown handle")
        if line in self.held_elsewhere or any(
            held == line and owner != handle for owner, held in self.claimed
        ):
            raise LgpioError(LIBRARY_ERRORS[-79])
        if self.claimed.get((handle, line)) == mode:
            return
        self.claimed[handle, line] = mode
        self._carry(line, carries)

    def _free(self, handle: int, line: int) -> None:
        mode = self.claimed.pop((handle, line))
        if mode == "input" or not self.persist:
            self._carry(line, INPUT)

    def _carry(self, line: int, what: object) -> None:
        carried = self.wire.setdefault(line, [])
        if not carried or carried[-1] != what:
            carried.append(what)
