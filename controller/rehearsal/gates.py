"""Between which bounds the readings of each probe change no decision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.core.state import DecisionWindow, ReadingBounds
from controller.probes.sieve import Sieve

_ROUNDING_C = 0.002
"""Slack for what lies on whole millidegrees [K]."""
_EDGE_C = 1.0 / 32.0
"""Half a step of the probe [K]."""


class Gate(NamedTuple):
    """Between which bounds the samples of one probe change no decision."""

    probe: int
    lowest_c: float
    """While the probe itself is at or above this, no noise brings a sample below its bound."""
    highest_c: float
    lowest_mc: float
    highest_mc: float
    fastest_k_s: float
    """Course that the sieve surely takes for a true one."""
    median_of: int


class _Rules(NamedTuple):
    """What the sieve of one probe does to its samples."""

    name: str
    offset_mk: int
    lowest_mc: int
    highest_mc: int
    fastest_k_s: float
    median_of: int
    takes_noise: bool
    """Whether it never holds back a sample for its noise."""


class Gates:
    """The gates of all probes for the window of the last decision."""

    def __init__(self, names: Sequence[str], *, most_noise_c: float) -> None:
        """Begin without a window.

        Args:
            names: The probes in their order.
            most_noise_c: No sample lies further than this from its probe [K].
        """
        self._names = tuple(names)
        self._margin_c = most_noise_c + _EDGE_C + _ROUNDING_C
        self._sieves: Mapping[str, Sieve] | None = None
        self.in_order: list[Sieve] = []
        """The sieves in the order of the probes."""
        self.kept: list[int] = []
        """How many samples each sieve keeps for its next median, one at least."""
        self.most_owed = 1
        """The largest of them."""
        self._rules: list[_Rules] = []
        self._window: DecisionWindow | None = None
        self._gates: list[Gate] | None = None

    def of(self, window: DecisionWindow, sieves: Mapping[str, Sieve]) -> list[Gate] | None:
        """Return the gates of a window; None where some probe cannot be passed over.

        Args:
            window: Within which a decision stands.
            sieves: What judges the samples, by the name of the probe.
        """
        if sieves is not self._sieves:
            self._take(sieves)
        for sieve in self.in_order:
            if not sieve.settled:
                return None
        if window is not self._window:
            self._window, self._gates = window, self._made(window)
        return self._gates

    def _take(self, sieves: Mapping[str, Sieve]) -> None:
        """Take note of what judges the samples: the same for as long as a loop turns."""
        self._sieves, self._window = sieves, None
        self.in_order = [sieves[name] for name in self._names]
        every = [sieve.rules for sieve in self.in_order]
        self.kept = [max(1, rules.median_of - 1) for rules in every]
        self.most_owed = max(self.kept)
        self._rules = [
            _Rules(
                name,
                rules.offset_mk,
                rules.lowest_mc,
                rules.highest_mc,
                rules.fastest_mk_per_s / 1000,
                rules.median_of,
                2.0 * self._margin_c <= rules.free_jump_mk / 1000,
            )
            for name, rules in zip(self._names, every, strict=True)
        ]

    def _made(self, window: DecisionWindow) -> list[Gate] | None:
        spans: dict[str, ReadingBounds | None] = {
            "air": window.air,
            "reservoir": window.reservoir,
            "room": window.room,
            "coil_outlet": window.coil_outlet,
        }
        margin_c = self._margin_c
        gates: list[Gate] = []
        for probe, rules in enumerate(self._rules):
            name, offset_mk, lowest, highest, fastest_k_s, median_of, takes_noise = rules
            span = spans[name]
            if span is None or not takes_noise:
                return None
            lowest_mc = max(span.lowest_mc - offset_mk, lowest)
            highest_mc = min(span.highest_mc - offset_mk, highest)
            gates.append(
                Gate(
                    probe,
                    lowest_mc / 1000 + margin_c,
                    highest_mc / 1000 - margin_c,
                    lowest_mc,
                    highest_mc,
                    fastest_k_s,
                    median_of,
                )
            )
        return gates
