"""The sieve: what each sample must pass before control sees it as a reading.

In this order: a fault stops here and is counted; the plausible range; the jump test, where a step
faster than physics allows is held until further samples agree with it; the median of the last few;
the probe's offset. After a start or a gap nothing is seen until samples agree. Time comes in as a
number, so the same samples always give the same readings.

A reading that did not change is the same object, and costs two comparisons: rehearsals ask
hundreds of thousands of times.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from controller.domain.temperatures import Lost, Reading, Seen
from controller.probes.samples import Fault, Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class SieveRules:
    """What one probe can plausibly say. The defaults are our choice for a fruiting chamber."""

    lowest_mc: int = -30_000
    highest_mc: int = 60_000
    """Plausible range of the probe's own value, ends included [m°C]."""
    fastest_mk_per_s: int = 200
    """Steepest course that physics allows at the probe [mK/s]. 10 K seen through a time constant
    of one minute, a steel sleeve in still air, begin at 170 mK/s."""
    free_jump_mk: int = 1_000
    """Step that is never a jump, however soon it comes [mK]."""
    confirm: int = 2
    """Further samples that must agree with a jump before it is true."""
    agree: int = 2
    """Samples in a row that must agree after a start or a gap."""
    agree_mk: int = 500
    """How far two samples in a row may differ and still agree [mK]."""
    median_of: int = 3
    """Samples in the median; odd."""
    offset_mk: int = 0
    """Added to what the probe says [mK]."""
    stale_after_s: float = 60.0
    """Age beyond which the last sample is no reading any more [s]."""
    stuck_after_s: float = 6 * 3600.0
    """Time without a single step that is worth a warning while the plant moved [s]; infinite to
    switch the warning off, as for a reservoir that stands at 0 °C while ice melts in it."""
    stuck_moves: int = 2
    """Moves of the plant that must have left the value untouched."""

    def __post_init__(self) -> None:
        if not self.lowest_mc < self.highest_mc:
            raise ValueError(
                f"lowest_mc {self.lowest_mc} must be below highest_mc {self.highest_mc}"
            )
        if self.median_of < 1 or self.median_of % 2 == 0:
            raise ValueError(f"median_of must be odd and at least 1, found {self.median_of}")
        for name, least in (
            ("fastest_mk_per_s", 0),
            ("free_jump_mk", 0),
            ("confirm", 0),
            ("agree", 1),
            ("agree_mk", 0),
            ("stuck_moves", 1),
        ):
            if not getattr(self, name) >= least:
                raise ValueError(f"{name} must be {least} or more, found {getattr(self, name)}")
        if not (0 < self.stale_after_s < math.inf):
            raise ValueError(
                f"stale_after_s must be a finite time above zero, found {self.stale_after_s}"
            )
        if not self.stuck_after_s > 0:
            raise ValueError(f"stuck_after_s must be above zero, found {self.stuck_after_s}")


RULES_BY_PLACE: Mapping[str, SieveRules] = MappingProxyType(
    {
        "air": SieveRules(lowest_mc=-10_000),
        # Fresh packs or cold loop water reach a probe in moving water within seconds (time
        # constant about 10 s, from memory); salt packs go below zero; melting ice stands still.
        "reservoir": SieveRules(lowest_mc=-20_000, fastest_mk_per_s=1_000, stuck_after_s=math.inf),
        "room": SieveRules(),
        "coil_outlet": SieveRules(lowest_mc=-20_000, fastest_mk_per_s=1_000),
    }
)
"""Rules to begin with for every place where a probe can hang."""

_NEVER = -math.inf
_NOTHING_STEADY = math.nan  # equal to no value, itself included


class Sieve:
    """Judges the samples of one probe, in the order in which they were read."""

    __slots__ = (
        "_at",
        "_jumping",
        "_lost",
        "_moves",
        "_recent",
        "_rules",
        "_run",
        "_run_at",
        "_same_since",
        "_same_value_mc",
        "_seen",
        "_stale_s",
        "_steady_mc",
        "_why",
        "counts",
        "last_raw",
        "refused_raw",
    )

    def __init__(self, rules: SieveRules) -> None:
        self.counts: Counter[Fault] = Counter()
        """Refused samples since the start, by reason; a held jump counts as a JUMP."""
        self.last_raw = ""
        """What the newest sample was read as."""
        self.refused_raw = ""
        """What the last refused sample was read as."""
        self._rules = rules
        self._stale_s = rules.stale_after_s
        self._at = _NEVER  # newest sample that was believed
        self._recent: list[int] = []  # believed values for the median, newest last
        self._steady_mc: float = _NOTHING_STEADY  # a further sample of this changes nothing
        self._seen: Reading = Lost("no reading yet")
        self._lost = Lost("no reading yet")
        self._run: list[int] = []  # samples not believed yet that agree with one another
        self._run_at = _NEVER
        self._jumping = False  # the run above is a jump, not a start
        self._why: Fault | None = None  # last refusal since a sample was believed
        self._same_value_mc: int | None = None
        self._same_since = _NEVER
        self._moves = 0

    def go_on_from(self, other: Sieve) -> None:
        """Take over what another sieve of the same probe knows; the rules stay this one's.

        What was believed stays believed, seen through this sieve's offset; a configuration that is
        read again must not make a probe start anew.
        """
        for name in self.__slots__:
            if name not in {"_rules", "_stale_s"}:
                setattr(self, name, getattr(other, name))
        self._recent, self._run = list(other._recent), list(other._run)
        self.counts = Counter(other.counts)
        self._steady_mc = _NOTHING_STEADY
        if self._recent and isinstance(self._seen, Seen):
            self._believe(self._at, newest_refusal=self._why)

    @property
    def rules(self) -> SieveRules:
        """What a sample must pass."""
        return self._rules

    def plausible(self, sample: Sample) -> bool:
        """Return whether a sample is a temperature that this probe can have."""
        value_mc = sample.value_mc
        return value_mc is not None and self._rules.lowest_mc <= value_mc <= self._rules.highest_mc

    @property
    def settled(self) -> bool:
        """Whether samples are believed and the median has all that it is made of."""
        return (
            not self._run
            and len(self._recent) == self._rules.median_of
            and isinstance(self._seen, Seen)
        )

    def resume(self, values_mc: Sequence[int], at: float) -> None:
        """Go on as if many samples had been taken that all passed plainly.

        For a caller who knows that none of them could be refused, held or late, and that the
        medians between were of no interest; samples that follow must make the median whole.
        `stuck` counts from the last of them.

        Args:
            values_mc: The last of these samples in order, one at least [m°C].
            at: Instant of the last one [s].
        """
        self._steady_mc = _NOTHING_STEADY
        self._recent = list(values_mc)
        self._at = at
        self._why = None
        if values_mc[-1] != self._same_value_mc:
            self._same_value_mc, self._same_since, self._moves = values_mc[-1], at, 0

    @property
    def held_mc(self) -> int | None:
        """The value of a jump that waits for confirmation [m°C]; None when none waits."""
        return self._run[-1] if self._run and self._jumping else None

    @property
    def last_fault(self) -> Fault | None:
        """Why the last sample was refused; None once a sample has been believed since."""
        return self._why

    def take(self, sample: Sample) -> None:
        """Judge one sample. One that is older than the last believed one is passed over."""
        self.last_raw = sample.raw
        if (
            sample.value_mc == self._steady_mc
            and sample.fault is None
            and 0.0 <= sample.at - self._at <= self._stale_s
        ):
            self._at = sample.at
            return
        self._judge(sample)

    def reading(self, now: float) -> Reading:
        """Return what control may act on at *now* [s].

        Returns:
            `Seen`, the same object while the value stays; or `Lost` with the age of the last
            sample that was believed and the last refusal.
        """
        if now - self._at <= self._stale_s:
            return self._seen
        return self._why_lost(now)

    @property
    def holds_until(self) -> float:
        """Instant up to which `reading` stays as it is unless another sample comes [s]."""
        return self._at + self._stale_s if isinstance(self._seen, Seen) else _NEVER

    def moved(self) -> None:
        """Tell that the plant moved (an output switched), so that readings ought to move too."""
        self._moves += 1

    def stuck(self, now: float) -> bool:
        """Return whether the value has repeated to the bit for too long on a moving plant.

        A notice for a person and nothing else: a well insulated chamber may stand still.
        """
        return (
            self._moves >= self._rules.stuck_moves
            and now - self._same_since >= self._rules.stuck_after_s
            and now - self._at <= self._stale_s
        )

    def _judge(self, sample: Sample) -> None:
        self._steady_mc = _NOTHING_STEADY
        rules = self._rules
        at, value_mc, fault, raw = sample
        if fault is not None:
            self._refuse(fault, raw)
        elif not isinstance(value_mc, int) or not math.isfinite(at):
            self._refuse(Fault.NOT_A_NUMBER, raw)
        elif not rules.lowest_mc <= value_mc <= rules.highest_mc:
            self._refuse(Fault.OUT_OF_RANGE, raw)
        elif at < self._at or at < self._run_at:
            pass  # came late: newer samples have already spoken
        elif at - self._at > self._stale_s:
            self._jumping = False
            self._await(value_mc, at, needed=rules.agree)
        elif self._jumps(value_mc, at):
            self._refuse(Fault.JUMP, raw)
            self._jumping = True
            self._await(value_mc, at, needed=1 + rules.confirm)
        else:
            self._run.clear()
            self._recent.append(value_mc)
            self._believe(at)

    def _refuse(self, fault: Fault, raw: str) -> None:
        self.counts[fault] += 1
        self.refused_raw = raw
        self._why = fault

    def _jumps(self, value_mc: int, at: float) -> bool:
        rules = self._rules
        allowed_mk = rules.free_jump_mk + rules.fastest_mk_per_s * (at - self._at)
        return abs(value_mc - self._recent[-1]) > allowed_mk

    def _await(self, value_mc: int, at: float, *, needed: int) -> None:
        """Hold a sample back until enough in a row agree; then believe them all at once."""
        run = self._run
        if run and (
            abs(value_mc - run[-1]) > self._rules.agree_mk or at - self._run_at > self._stale_s
        ):
            run.clear()
        run.append(value_mc)
        self._run_at = at
        if len(run) >= needed:
            self._recent = list(run)
            run.clear()
            self._believe(at)

    def _believe(self, at: float, newest_refusal: Fault | None = None) -> None:
        self._at = at
        self._why = newest_refusal
        recent, rules = self._recent, self._rules
        size = rules.median_of
        del recent[:-size]
        newest_mc = recent[-1]
        if newest_mc != self._same_value_mc:
            self._same_value_mc = newest_mc
            self._same_since = at
            self._moves = 0
        if recent.count(newest_mc) == size:
            self._steady_mc = float(newest_mc)
        # The colder of the two middle ones while few are there: a start is never hastened.
        middle_mc = sorted(recent)[(len(recent) - 1) // 2] + rules.offset_mk
        seen = self._seen
        if not isinstance(seen, Seen) or seen.value_mc != middle_mc:
            self._seen = Seen(middle_mc)

    def _why_lost(self, now: float) -> Lost:
        parts = []
        if self._at != _NEVER:
            parts.append(f"last reading over {self._age_s(now):g} s old")
        if self._run and now - self._run_at <= self._stale_s:
            parts.append(
                f"waiting for readings that agree, {len(self._run)} of {self._rules.agree} so far"
            )
        if self._why is not None:
            parts.append(self._why.value)
        reason = "; ".join(parts) or "no reading yet"
        if reason != self._lost.reason:
            self._lost = Lost(reason)
        return self._lost

    def _age_s(self, now: float) -> float:
        """Round the age down to stale-after times 1, 2, 4, 8…: the text must not change each tick.

        A reason that stays the same is logged once; the exact age is the reader's to subtract.
        """
        times = (now - self._at) / self._stale_s
        return self._stale_s * 2 ** math.floor(math.log2(times)) if 1 < times < math.inf else 0.0
