"""What the lookout reported of packs being due ends by itself."""

from __future__ import annotations

import pytest

from controller.service.reported_swap_due import ReportedSwapDue


def test_nothing_is_known_before_a_report() -> None:
    """Neither due nor not due."""
    assert ReportedSwapDue().at(0.0) is None


@pytest.mark.parametrize("due", [True, False])
def test_a_report_of_a_dead_lookout_ends(due: bool) -> None:
    """At its end it still holds, after it nothing is known; good news ends as bad news does."""
    report = ReportedSwapDue()
    report.take(due, 2300.0)

    assert [report.at(boottime_s) for boottime_s in (1.0, 2300.0, 2300.1, 9e9)] == [
        due, due, None, None,
    ]  # fmt: skip


def test_a_later_report_replaces_the_one_before() -> None:
    """Renewed, contradicted, or ended early."""
    report = ReportedSwapDue()
    report.take(True, 2300.0)
    report.take(False, 1000.0)

    assert report.at(900.0) is False
    assert report.at(2000.0) is None
