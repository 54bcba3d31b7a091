"""Several probes that fail alike at once have one cause, and deserve one alert."""

from __future__ import annotations

from collections.abc import Mapping

from controller.probes.samples import Fault

_CAUSES = {
    Fault.ABSENT: "check the bus cable, its pull-up and that 1-Wire is enabled",
    Fault.EMPTY: "check the bus cable and its pull-up",
    Fault.BAD_CRC: "check the bus cable, its length and its pull-up",
    Fault.ALL_ZERO: "check the data line for a short to ground",
    Fault.POWER_ON: "check the bus supply and its pull-up: probes have power but do not convert",
    Fault.NOT_CONVERTED: "check the bus supply and its pull-up: probes lack power to convert",
    Fault.LATE: "the bus does not answer; a restart of the computer may be needed",
    Fault.UNREADABLE: "check who may read the 1-Wire files",
}
"""What several probes can share. Jumps and ranges belong to one probe and are left out.

Source: Linux 6.12 w1_therm.c for what each failure looks like; the advice is common practice.
"""


def common_cause(faults: Mapping[str, Fault | None]) -> str | None:
    """Return one sentence when two or more probes failed alike, else None.

    Args:
        faults: Last fault of each probe of one bus in this cycle, None for one that was read.
    """
    by_fault: dict[Fault, list[str]] = {}
    for name, fault in faults.items():
        if fault in _CAUSES:
            by_fault.setdefault(fault, []).append(name)
    alike = max(by_fault.items(), key=lambda item: len(item[1]), default=None)
    if alike is None or len(alike[1]) < 2:
        return None
    fault, names = alike
    return f"{', '.join(names)}: {fault.value}; {_CAUSES[fault]}"
