"""Several sources as one."""

from __future__ import annotations

import pytest

from controller.probes.joined_sources import JoinedSources
from controller.probes.samples import Sample


class Given:
    """A source of ready-made samples."""

    def __init__(self, *collected: tuple[str, Sample], fails: bool = False) -> None:
        self.collected = list(collected)
        self.closed = 0
        self.fails = fails

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        return self.collected

    def close(self) -> None:
        self.closed += 1
        if self.fails:
            raise OSError("did not close")


def test_samples_are_sorted_by_instant() -> None:
    """The order in which probes were read holds across sources."""
    first = Given(("air", Sample(1.0, 15_000)), ("air", Sample(3.0, 15_062)))
    second = Given(("room", Sample(2.0, 24_000)))

    collected = JoinedSources([first, second]).collect(5.0)

    assert [(name, sample.at) for name, sample in collected] == [
        ("air", 1.0),
        ("room", 2.0),
        ("air", 3.0),
    ]


def test_all_are_closed_when_one_fails() -> None:
    """A source that fails to close keeps no other one open."""
    sources = [Given(), Given(fails=True), Given()]

    with pytest.raises(OSError, match="did not close"):
        JoinedSources(sources).close()

    assert [source.closed for source in sources] == [1, 1, 1]
