"""What feeds a load: volts and the kind of current, by one grammar for loads and relay modules."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum


class SupplyKind(Enum):
    """Kind of current."""

    AC = "AC"
    DC = "DC"


_SUPPLY = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*V\s*(AC|DC)", re.IGNORECASE)
_SUPPLY_ALLOWED = 'allowed: volts with AC or DC, such as "12 V DC" or "230 V AC"'
_HIGHEST_V = {SupplyKind.AC: 1000.0, SupplyKind.DC: 1500.0}
"""Low voltage ends here (IEC 60364); nothing in a grow room lies above."""


@dataclass(frozen=True, slots=True)
class Supply:
    """What feeds a load: volts [V] and the kind of current."""

    volts: float
    kind: SupplyKind

    def __post_init__(self) -> None:
        if not 0 < self.volts <= _HIGHEST_V[self.kind]:  # written so that NaN fails too
            raise ValueError(
                f"found {self.volts:g} V {self.kind.value}, allowed: above 0 and up to "
                f"{_HIGHEST_V[self.kind]:g} V {self.kind.value}"
            )

    def __str__(self) -> str:
        return f"{self.volts:g} V {self.kind.value}"

    @classmethod
    def parse(cls, given: object) -> Supply:
        """Read "12 V DC" or "230 V AC".

        Raises:
            ValueError: It is anything else; says what was found, what is allowed, what to do.
        """
        if not isinstance(given, str):
            shown = str(given).lower() if isinstance(given, bool) else str(given)
            raise ValueError(  # noqa: TRY004 - a value to correct
                f"found {shown}, {_SUPPLY_ALLOWED}; write it as text with its unit"
            )
        match = _SUPPLY.fullmatch(given.strip())
        if match is None:
            raise ValueError(f'found "{given}", {_SUPPLY_ALLOWED}; {_supply_advice(given)}')
        return cls(volts=float(match[1]), kind=SupplyKind(match[2].upper()))


def _supply_advice(text: str) -> str:
    bare = text.strip().upper()
    if re.search(r"[0-9],[0-9]", bare):
        return "write the decimal point, not a comma"
    if bare.startswith("-"):
        return "give the size of the voltage without its sign"
    if re.fullmatch(r"[0-9.]+\s*V?", bare):
        return "say whether it is AC or DC"
    if re.search(r"[0-9]\s*[-–/]\s*[0-9]", bare):
        return "of a range, give the highest voltage that the load will be fed with"
    return "correct it from the nameplate of the load or its adaptor"
