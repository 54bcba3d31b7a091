"""A problem that lasts stands in the log once, whatever comes in between."""

from __future__ import annotations

from structlog.testing import capture_logs

from controller.lookout.problem_log import MOST_REMEMBERED, ProblemLog


def test_problems_that_alternate_are_logged_once_each() -> None:
    """A failing card: reading fails, keeping fails, reading fails, every two seconds."""
    problems = ProblemLog("x")
    with capture_logs() as logs:
        for _ in range(5):
            problems.report("cannot be read", "failed", error="cannot be read")
            problems.report("cannot be kept", "failed", error="cannot be kept")

    assert [line["error"] for line in logs] == ["cannot be read", "cannot be kept"]


def test_a_problem_that_comes_back_is_logged_again() -> None:
    """After its end, which is reported once."""
    problems = ProblemLog("x")
    with capture_logs() as logs:
        assert not problems.end()
        problems.report("a", "failed")
        assert problems.end()
        assert not problems.end()
        problems.report("a", "failed")

    assert len(logs) == 2


def test_what_is_remembered_is_bounded() -> None:
    """A text that is new each time does not fill the memory; the log begins anew."""
    problems = ProblemLog("x")
    with capture_logs() as logs:
        for number in range(MOST_REMEMBERED + 1):
            problems.report(str(number), "failed")
        problems.report("0", "failed")

    assert len(logs) == MOST_REMEMBERED + 2
