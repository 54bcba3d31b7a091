"""For every test of the service: what is written by a thread may take its time."""

from __future__ import annotations

import pytest

from controller.service import timer_store
from controller.service.newest_writer import NewestWriter
from tests.support.waiting import AT_MOST_S


@pytest.fixture(autouse=True)
def _writes_may_take_their_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Wait for the medium as long as a busy machine needs; the service waits a second."""
    monkeypatch.setattr(timer_store, "WRITE_WITHIN_S", AT_MOST_S)
    monkeypatch.setattr(NewestWriter.close, "__defaults__", (AT_MOST_S,))
