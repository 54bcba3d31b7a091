"""A log in which a problem that lasts stands once."""

from __future__ import annotations

from controller.log import Logger

MOST_REMEMBERED = 50
"""Problems that are remembered; with more they begin anew, so that memory stays bounded."""


class ProblemLog:
    """Logs each problem once, until all of them are over."""

    def __init__(self, logger: str) -> None:
        """Begin without a problem.

        Args:
            logger: Name of the logger that problems go to.
        """
        self._log = Logger(logger)
        self._logged: set[str] = set()

    def report(self, problem: str, event: str, /, **fields: object) -> None:
        """Log a problem as a warning, unless it is logged already.

        Args:
            problem: What makes it the same as another.
            event: The log's event.
            fields: What the log's line says of it.
        """
        if problem in self._logged:
            return
        if len(self._logged) >= MOST_REMEMBERED:
            self._logged.clear()
        self._logged.add(problem)
        self._log.warning(event, **fields)

    def end(self) -> bool:
        """Note that all problems are over, and return whether there were any."""
        were_any = bool(self._logged)
        self._logged.clear()
        return were_any
