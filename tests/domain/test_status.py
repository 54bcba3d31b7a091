"""How old a status is, and from when on it says nothing any more."""

from __future__ import annotations

import pytest

from controller.domain.status import ProbesStatus, ProbeStatus, TimersLeft
from tests.lookout.houses import status

BOOT = "a boot"


@pytest.mark.parametrize(
    ("tick_s", "age_s", "silent"),
    [
        pytest.param(5.0, 0.0, False, id="now"),
        pytest.param(5.0, 20.0, False, id="three-ticks-and-five-seconds"),
        pytest.param(5.0, 20.1, True, id="later"),
        pytest.param(30.0, 95.0, False, id="slow-beat"),
        pytest.param(30.0, 95.1, True, id="slow-beat-later"),
    ],
)
def test_a_status_holds_for_three_ticks_and_five_seconds(
    tick_s: float, age_s: float, silent: bool
) -> None:
    """Counted on the boot-time clock, which no change of the wall clock moves."""
    written = status(boot_id=BOOT, boottime_s=1000.0, tick_s=tick_s)

    assert written.age_s(boot_id=BOOT, boottime_s=1000.0 + age_s) == pytest.approx(age_s)
    assert written.is_stale(boot_id=BOOT, boottime_s=1000.0 + age_s) is silent


@pytest.mark.parametrize(
    ("written_in", "read_in"), [(BOOT, "another"), (None, None), (BOOT, None), (None, BOOT)]
)
def test_a_status_of_another_boot_is_stale(written_in: str | None, read_in: str | None) -> None:
    """Two boots have nothing to do with each other's clocks, nor have boots that nobody knows."""
    written = status(boot_id=written_in, boottime_s=1000.0)

    assert written.age_s(boot_id=read_in, boottime_s=1000.0) is None
    assert written.is_stale(boot_id=read_in, boottime_s=1000.0)


def test_what_is_not_known_is_none() -> None:
    """A lost probe and one that is not fitted have no temperature."""
    lost = ProbeStatus(reading_c=None, lost="stale")

    assert status(probes=ProbesStatus(air=ProbeStatus(reading_c=16.2, lost=None))).air_c == 16.2
    assert status(probes=ProbesStatus(air=lost)).air_c is None
    assert status(probes=ProbesStatus(air=lost)).reservoir_c is None


def test_only_timers_that_run_are_named() -> None:
    """Each with what is left of it; nothing left is still a timer that runs."""
    assert not list(TimersLeft().running())
    assert list(TimersLeft(anti_short_cycle_s=0.0, pause_s=60.0).running()) == [
        ("anti_short_cycle", 0.0),
        ("pause", 60.0),
    ]
