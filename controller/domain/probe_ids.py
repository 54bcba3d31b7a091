"""Names of 1-Wire thermometers, as Linux and the configuration write them."""

from __future__ import annotations

import re

DS18S20, DS1822, DS18B20, DS1825, DS28EA00 = 0x10, 0x22, 0x28, 0x3B, 0x42
FAMILIES = {
    DS18S20: "DS18S20",
    DS1822: "DS1822",
    DS18B20: "DS18B20",
    DS1825: "DS1825",
    DS28EA00: "DS28EA00",
}
"""Family codes that can be decoded. Source: Linux 6.12 w1_therm.c."""
_ID = re.compile(r"([0-9a-f]{2})-([0-9a-f]{12})")
_NO_SERIAL, _NO_FAMILY = "0" * 12, "00"


def family_of(probe_id: str) -> str | None:
    """Return the family of an id in small letters, ``28`` of ``28-0a1b2c3d4e01``.

    None where it is no id at all.
    """
    match = _ID.fullmatch(probe_id)
    return None if match is None else match[1]


def is_ghost(probe_id: str) -> bool:
    """Return whether an id has no family or no serial number: a noisy bus invents such ones."""
    match = _ID.fullmatch(probe_id)
    return match is not None and (match[1] == _NO_FAMILY or match[2] == _NO_SERIAL)


def id_problem(probe_id: str) -> str | None:
    """Return what is wrong with a probe's id, None where it can be used.

    Capitals mean the same as small letters: a label may be printed so.
    """
    small = probe_id.lower()
    family = family_of(small)
    if family is None or not probe_id.isascii():
        return (
            f"found {probe_id!r}, allowed: a name from /sys/bus/w1/devices, two and twelve "
            "hexadecimal digits such as 28-0a1b2c3d4e01; `coldpin probes` lists those on the bus"
        )
    if is_ghost(small):
        return f"found {probe_id!r}, which a noisy bus invents; check wiring and pull-up"
    if int(family, 16) not in FAMILIES:
        known = ", ".join(f"{code:02x} {name}" for code, name in sorted(FAMILIES.items()))
        return f"found family {family} in {probe_id!r}, allowed: {known}"
    return None
