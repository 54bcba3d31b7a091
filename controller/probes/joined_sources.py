"""Several sources as one, for a chamber whose probes are of different kinds."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

from controller.probes.samples import Sample, SampleSource


class JoinedSources:
    """A `SampleSource` over others."""

    def __init__(self, sources: Sequence[SampleSource]) -> None:
        self._sources = tuple(sources)

    def collect(self, now: float) -> list[tuple[str, Sample]]:
        """Return the samples of all sources in the order in which they were read."""
        collected = [named for source in self._sources for named in source.collect(now)]
        collected.sort(key=lambda named: named[1].at)
        return collected

    def close(self) -> None:
        """Close all sources, the later ones even when an earlier one fails."""
        with contextlib.ExitStack() as stack:
            for source in self._sources:
                stack.callback(source.close)
