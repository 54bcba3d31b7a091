"""Waiting for what another process or thread does: the one place where tests wait."""

from __future__ import annotations

import time
from collections.abc import Callable

AT_MOST_S = 60.0
"""Ends a test whose condition never comes true; no test passes or fails by how long it took."""


def until(
    holds: Callable[[], object],
    what: str = "the condition",
    *,
    meanwhile: Callable[[], object] = bool,
) -> None:
    """Return as soon as a condition holds; fail where it has not after `AT_MOST_S`.

    Args:
        holds: The condition.
        what: Its name, for the message.
        meanwhile: Is called before each look, where something must be driven on.
    """
    ends_s = time.monotonic() + AT_MOST_S
    meanwhile()
    while not holds():
        assert time.monotonic() < ends_s, f"never came about: {what}"
        time.sleep(0.01)
        meanwhile()
