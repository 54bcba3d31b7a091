"""Lines of the hardware: claimed once in the machine, free again when no load uses them."""

from __future__ import annotations

import contextlib
import dataclasses
import fcntl
import math
import os
import stat
from datetime import time
from pathlib import Path

import pytest

from controller.domain.supply import Supply
from controller.errors import BusyError
from controller.outputs.mains_rule import LoadKind, RatedLoad
from controller.service import locks
from controller.service.locks import LineLocks, instance_holder, lock_instance
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
    monkeypatch.setattr("controller.domain.places.SHARED_MEMORY", tmp_path)
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


def test_a_line_of_a_driver_that_names_none_is_known_by_all_its_keys(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """TOML has numbers and times that JSON has not; the order of keys is no matter."""
    monkeypatch.setattr("controller.domain.places.SHARED_MEMORY", tmp_path)
    keys = {"until": time(7, 30), "gain": math.nan, "bus": {"b": math.inf, "a": 1}}
    again = {"bus": {"a": 1, "b": math.inf}, "gain": math.nan, "until": time(7, 30)}

    class Driver:
        @staticmethod
        def lines(options: object) -> list[str]:
            return []

    monkeypatch.setattr(WiredLoad, "driver", Driver())
    ours, same, other = (
        dataclasses.replace(wired("pump", 17), options=options)
        for options in (keys, again, keys | {"gain": 2.0})
    )
    with contextlib.closing(LineLocks()) as first, contextlib.closing(LineLocks()) as second:
        first.claim([ours])

        with pytest.raises(BusyError, match="already drives the line"):
            second.claim([same])
        second.claim([other])


def test_a_chamber_names_the_process_that_controls_it(tmp_path: Path) -> None:
    """Source: proc(5), /proc/locks: the pid of who holds the lock."""
    assert instance_holder(tmp_path / "not there") is None
    assert instance_holder(tmp_path) is None

    lock = lock_instance(tmp_path)
    assert instance_holder(tmp_path) == str(os.getpid())
    with pytest.raises(BusyError, match=rf"\(pid {os.getpid()}\) already controls this chamber"):
        lock_instance(tmp_path)
    lock.close()
    lock.close()  # twice is no matter

    assert instance_holder(tmp_path) is None
    with lock_instance(tmp_path) as ours:
        assert ours.descriptor >= 0
    assert ours.descriptor < 0


def test_whoever_only_looks_for_an_instant_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`coldpin status` asks who holds the lock by taking it for a moment."""
    looking = os.open(tmp_path, os.O_RDONLY)
    fcntl.flock(looking, fcntl.LOCK_SH)
    waited: list[float] = []

    def wait(time_s: float) -> None:
        waited.append(time_s)
        if len(waited) == locks.LOCK_TRIES - 1:
            os.close(looking)

    monkeypatch.setattr("controller.service.locks.time.sleep", wait)
    lock_instance(tmp_path).close()

    assert waited == [locks.LOCK_AGAIN_AFTER_S] * (locks.LOCK_TRIES - 1)


def test_a_line_is_locked_by_a_file_that_any_user_may_lock_and_that_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the umask of the service says; at the end nothing is left."""
    monkeypatch.setattr("controller.domain.places.SHARED_MEMORY", tmp_path)
    umask = os.umask(0o077)
    try:
        ours = LineLocks()
        ours.claim([wired("pump", 17)])
    finally:
        os.umask(umask)
    (file,) = tmp_path.iterdir()
    assert stat.S_IMODE(file.stat().st_mode) == 0o644
    assert file.name.startswith("coldpin-line-")

    ours.close()

    assert list(tmp_path.iterdir()) == []


def test_of_two_lines_both_are_claimed_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fan's line is another's: the pump's is free again at once."""
    monkeypatch.setattr("controller.domain.places.SHARED_MEMORY", tmp_path)
    pump, fan = wired("pump", 17), wired("fan", 27)
    with (
        contextlib.closing(LineLocks()) as others,
        contextlib.closing(LineLocks()) as ours,
        contextlib.closing(LineLocks()) as third,
    ):
        others.claim([fan])
        with pytest.raises(BusyError, match=rf"\(pid {os.getpid()}\) already drives the line"):
            ours.claim([pump, fan])
        third.claim([pump])


def test_a_load_without_hardware_needs_no_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two dry runs side by side."""
    monkeypatch.setattr("controller.domain.places.SHARED_MEMORY", tmp_path)
    with contextlib.closing(LineLocks()) as ours:
        ours.claim([dataclasses.replace(wired("pump", 17), hardware=False)])
        assert list(tmp_path.iterdir()) == []
