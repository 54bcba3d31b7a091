"""How this chamber's air warms while the pump rests, kept so that a restart need not learn it anew.

Only alarms hang on it. It is believed where it was learned by the same probes and not long ago;
where that is doubtful it is unknown, and learned again within a day or two of rests.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import astuple, dataclass, replace
from pathlib import Path

from controller.core.memory import Block, Warming, WarmingLine
from controller.core.state import State
from controller.domain.codec import Codec, NewerFormatError, UnreadableError
from controller.domain.places import KEPT_WARMING
from controller.log import Logger
from controller.records.durable import replace_file
from controller.service.newest_writer import NewestWriter

OLDEST_S = 14 * 86_400.0
"""A chamber that stood for longer is another one: its crop, its bags, the season."""
AHEAD_S = 3600.0
"""A clock that says it was learned so much later than now is not set."""
PLACES = ("air", "room")
"""Probes that it was learned by."""

_log = Logger("coldpin.kept")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptWarming:
    """What the file holds."""

    line: WarmingLine
    slow: int
    sound: int
    probes: dict[str, str]
    """Id on the bus, by the name of the probe."""
    at_utc_s: float
    """When it was written, by the wall clock."""
    format: int = 1


_CODEC = Codec(KeptWarming)


class WarmingStore:
    """One chamber's warming, from the start of a process to its end."""

    def __init__(self, place: Path, *, utc: Callable[[], float] = time.time) -> None:
        """Begin to keep.

        Args:
            place: The state directory.
            utc: Gives the wall clock [s since 1970].
        """
        self._file = place / KEPT_WARMING
        self._utc = utc
        self._kept: tuple[WarmingLine, int, int] | None = None
        self._leave_file_alone = False
        self._writer = NewestWriter[KeptWarming](
            "kept-warming", lambda kept: replace_file(self._file, _CODEC.text(kept))
        )

    def restored(self, state: State, ids: Mapping[str, str]) -> State:
        """Return the state with what was learned before, where that can be believed.

        A file of a later release is left alone.

        Args:
            state: At the start of a process.
            ids: Id of each probe that is fitted now.
        """
        try:
            kept = _CODEC.read(self._file.read_bytes())
        except FileNotFoundError:
            return state
        except NewerFormatError as error:
            self._leave_file_alone = True
            _log.warning("kept_warming_of_a_newer_release", file=str(self._file), error=str(error))
            return state
        except (OSError, UnreadableError) as error:
            _log.warning("kept_warming_unreadable", file=str(self._file), error=str(error))
            return state
        doubt = self._doubt(kept, ids)
        if doubt is not None:
            _log.info("warming_is_learned_anew", why=doubt)
            return state
        warming = Warming(block=Block(), line=kept.line, slow=kept.slow, sound=kept.sound)
        return replace(state, expectations=state.expectations._replace(warming=warming))

    def keep(self, state: State, ids: Mapping[str, str]) -> None:
        """Hand over what is learned, when it differs from the last time; never waits.

        Args:
            state: As it stands.
            ids: Id of each probe that is fitted.
        """
        warming = state.expectations.warming
        learned = (warming.line, warming.slow, warming.sound)
        if learned == self._kept or self._leave_file_alone or not warming.line.blocks:
            return
        self._kept = learned
        self._writer.give(
            KeptWarming(
                line=warming.line,
                slow=warming.slow,
                sound=warming.sound,
                probes=_by_which(ids),
                at_utc_s=self._utc(),
            )
        )

    def close(self) -> None:
        """Write what waits, for a limited time."""
        self._writer.close()

    def _doubt(self, kept: KeptWarming, ids: Mapping[str, str]) -> str | None:
        if kept.probes != _by_which(ids):
            return "other probes are fitted"
        age_s = self._utc() - kept.at_utc_s
        if not -AHEAD_S <= age_s <= OLDEST_S:
            return "it was learned too long ago, or the clock is not set"
        line = kept.line
        if not all(map(math.isfinite, astuple(line))):
            return "it is damaged"
        whole = line.blocks > 0 and line.weight > 0 and line.excess > 0 and line.least_excess_k > 0
        return None if whole and kept.slow >= 0 and kept.sound >= 0 else "it is damaged"


def without_warming(state: State) -> State:
    """Return a state that has learned nothing of the air's warming, after a change of probes."""
    return replace(state, expectations=state.expectations._replace(warming=Warming()))


def _by_which(ids: Mapping[str, str]) -> dict[str, str]:
    return {place: ids[place] for place in PLACES if place in ids}
