"""One alert for one cause."""

from __future__ import annotations

import pytest

from controller.probes.common_cause import common_cause
from controller.probes.samples import Fault


@pytest.mark.parametrize(
    ("faults", "message"),
    [
        pytest.param({"air": None, "reservoir": None}, None, id="all-well"),
        pytest.param({"air": Fault.EMPTY, "reservoir": None}, None, id="one-alone"),
        pytest.param({"air": Fault.EMPTY, "reservoir": Fault.ABSENT}, None, id="different"),
        pytest.param({"air": Fault.JUMP, "reservoir": Fault.JUMP}, None, id="each-its-own-matter"),
        pytest.param(
            {"air": Fault.NOT_CONVERTED, "room": None, "reservoir": Fault.NOT_CONVERTED},
            "air, reservoir: conversion failed for lack of power (127.94 °C); check the bus supply "
            "and its pull-up: probes lack power to convert",
            id="bus-power",
        ),
        pytest.param(
            {"air": Fault.LATE, "reservoir": Fault.LATE, "room": Fault.EMPTY},
            "air, reservoir: read took too long: its value may be old; the bus does not answer; "
            "a restart of the computer may be needed",
            id="hung-bus",
        ),
    ],
)
def test_probes_that_fail_alike(faults: dict[str, Fault | None], message: str | None) -> None:
    """Two or more with the same fault of the bus make one sentence; anything else makes none."""
    assert common_cause(faults) == message
