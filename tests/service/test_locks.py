"""Lines of the hardware: claimed once in the machine, free again when no load uses them."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from controller.domain.supply import Supply
from controller.errors import BusyError
from controller.outputs.mains_rule import LoadKind, RatedLoad
from controller.service.locks import LineLocks
from controller.service.wiring import WiredLoad


def wired(name: str, pin: int) -> WiredLoad:
    """Return a load on a line of the header."""
    supply = Supply.parse("12 V DC")
    return WiredLoad(
        name=name, driver_name="gpio", options={"pin": pin}, wiring="", hardware=True,
        load=RatedLoad(name=name, supply=supply, current_a=0.5, kind=LoadKind.MOTOR),
        relay_module=None, why_allowed="",
    )  # fmt: skip


def test_a_line_that_no_load_uses_any_more_is_free(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reload moved the pump: the old line can be claimed elsewhere, the others cannot."""
    monkeypatch.setattr("controller.service.locks.SHARED_MEMORY", tmp_path)
    pump, fan, moved = wired("pump", 17), wired("fan", 27), wired("pump", 22)
    with contextlib.closing(LineLocks()) as ours, contextlib.closing(LineLocks()) as others:
        ours.claim([pump, fan])
        with pytest.raises(BusyError, match="already drives the line 'gpio gpio17'"):
            others.claim([pump])
        ours.claim([moved, fan])

        ours.keep_only([moved, fan])

        others.claim([pump])
        for used in (moved, fan):
            with pytest.raises(BusyError, match="already drives the line"):
                others.claim([used])
