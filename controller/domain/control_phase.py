"""What the control law is doing and why, by the words that statuses and records keep."""

from __future__ import annotations

from enum import Enum


class Phase(Enum):
    """What cooling is doing."""

    REST = "rest"
    HELD = "held"
    PRIME = "prime"
    COOL = "cool"
    RUN_ON = "run_on"
    FALLBACK = "fallback"
    LOCKOUT = "lockout"


class Reason(Enum):
    """Why cooling does what it does, in one short phrase."""

    NO_CALL = "no call for cooling"
    FIRST_READINGS = "waiting for the first readings"
    CALL = "call for cooling"
    MINIMUM_RUN = "finishing the minimum run"
    ANTI_SHORT_CYCLE = "resting before the next start"
    PRIMING = "pump first, fan after the prime time"
    RUN_ON = "fan runs on after the pump"
    PAUSED = "paused by a person"
    RESERVOIR_WARM = "reservoir too warm to cool"
    LOW_LIMIT = "air at the low limit"
    OUTPUT_FAILED = "an output failed"
    FLOW_WAIT = "no flow proved, waiting to try again"
    LOCKOUT = "locked out: flow not proved"
    RESERVOIR_EMPTY = "reservoir empty"
    LONGEST_RUN = "rest after the longest run"
    PROVING = "short rest, then flow is proved anew"
    AIR_LOST = "air probe lost"
    TIMED_ON = "air probe lost, cooling by the clock"
    TIMED_OFF = "air probe lost, resting by the clock"
