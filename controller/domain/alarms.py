"""The alarms: their names, and one alarm as it stands.

What each of them means and what to do about it is in `domain.alarm_guide`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class AlarmName(Enum):
    """Every alarm there is, by the name that scripts see."""

    AIR_HIGH = "air_high"
    AIR_LOW = "air_low"
    RESERVOIR_WARM = "reservoir_warm"
    RESERVOIR_FREEZING = "reservoir_freezing"
    SWAP_DUE = "swap_due"
    PROBE_LOST = "probe_lost"
    FLOW_NOT_PROVED = "flow_not_proved"
    LONG_RUN = "long_run"
    FREQUENT_STARTS = "frequent_starts"
    OUTPUT_FAILED = "output_failed"
    RECORDS_FAILING = "records_failing"
    RESERVOIR_EMPTY = "reservoir_empty"
    COOLING_WHILE_OFF = "cooling_while_off"
    PROBES_EXCHANGED = "probes_exchanged"
    RESERVOIR_PROBE_MISPLACED = "reservoir_probe_misplaced"
    PROBE_UNSTEADY = "probe_unsteady"
    PUMP_NOISE = "pump_noise"
    FREQUENT_TRIPS = "frequent_trips"
    PROBE_STUCK = "probe_stuck"
    SUPPLY_FAILS = "supply_fails"


OUTSIDE_THE_LAW = frozenset({AlarmName.PROBE_STUCK, AlarmName.SUPPLY_FAILS})
"""Alarms that the service raises beside the control law, which decides nothing by them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """An alarm that stands."""

    name: str
    """The value of an `AlarmName`, or a name that only a later release knows."""
    about: str = ""
    """The probe or load that it concerns, where one name serves several; else empty."""
    acknowledged: bool = False
    """Whether a person has marked it as seen."""
    note: str = ""
    """What is known of its cause, in one sentence; else empty."""
