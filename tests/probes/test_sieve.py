"""The sieve on its own."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.reading_rows import PROBE_NAMES
from controller.domain.temperatures import Lost, Reading, Seen
from controller.probes.samples import Fault, Sample
from controller.probes.sieve import RULES_BY_PLACE, Sieve, SieveRules

RULES = SieveRules(
    lowest_mc=-10_000,
    highest_mc=60_000,
    fastest_mk_per_s=100,
    free_jump_mk=1_000,
    confirm=2,
    agree=2,
    agree_mk=500,
    median_of=3,
    stale_after_s=60.0,
    stuck_after_s=6 * 3600.0,
    stuck_moves=2,
)
POLL_S = 10.0
START = 5000.0


class Feed:
    """Samples every ten seconds, and the reading after each."""

    def __init__(self, rules: SieveRules = RULES, now: float = START) -> None:
        self.sieve = Sieve(rules)
        self.now = now

    def give(self, *values_mc: int | Fault | None) -> list[Reading]:
        """Feed values in turn; None stands for a cycle without a sample."""
        readings = []
        for value_mc in values_mc:
            self.now += POLL_S
            if isinstance(value_mc, Fault):
                self.sieve.take(Sample(self.now, None, value_mc, value_mc.name))
            elif value_mc is not None:
                self.sieve.take(Sample(self.now, value_mc, None, str(value_mc)))
            readings.append(self.sieve.reading(self.now))
        return readings

    def settled(self, value_mc: int = 12_500) -> Feed:
        assert self.give(*[value_mc] * 4)[-1] == Seen(value_mc + RULES.offset_mk)
        return self


class TestStart:
    def test_nothing_is_seen_before_the_first_sample(self) -> None:
        """A sieve that was never fed has lost its reading, and says so."""
        assert Sieve(RULES).reading(START) == Lost("no reading yet")

    def test_first_sample_waits_for_one_that_agrees(self) -> None:
        """The first sample is held; the second that agrees makes it a reading."""
        assert Feed().give(12_500, 12_562) == [
            Lost("waiting for readings that agree, 1 of 2 so far"),
            Seen(12_500),
        ]

    def test_samples_that_differ_do_not_add_up(self) -> None:
        """Each sample that disagrees with the one before begins the count anew."""
        readings = Feed().give(9_000, 13_200, 9_000, 13_200, 13_250)

        assert [type(reading) for reading in readings] == [Lost] * 4 + [Seen]
        assert readings[-1] == Seen(13_200)

    def test_difference_at_the_limit_agrees(self) -> None:
        """Samples that differ by agree_mk agree, by one millikelvin more they do not."""
        assert Feed().give(12_000, 12_500)[-1] == Seen(12_000)
        assert isinstance(Feed().give(12_000, 12_501)[-1], Lost)

    def test_a_fault_says_why_nothing_is_seen(self) -> None:
        """Before any reading the reason carries the last fault."""
        assert Feed().give(Fault.EMPTY) == [Lost("empty read")]

    def test_agree_of_one_believes_at_once(self) -> None:
        """With agree = 1 the first sample is a reading."""
        assert Feed(replace(RULES, agree=1)).give(12_500) == [Seen(12_500)]


class TestAge:
    def test_reading_lives_until_stale_after(self) -> None:
        """On the limit the reading still stands, beyond it is lost with age and last fault."""
        sieve = Feed().settled().sieve
        read_at = START + 4 * POLL_S
        sieve.take(Sample(read_at + 30, None, Fault.ABSENT))

        assert sieve.reading(read_at + 60.0) == Seen(12_500)
        assert sieve.reading(read_at + 60.1) == Lost("last reading over 60 s old; not on the bus")

    def test_age_in_the_reason_doubles(self) -> None:
        """The text stays while the age grows up to twofold, so it is logged once."""
        sieve = Feed().settled().sieve
        read_at = START + 4 * POLL_S

        lost = sieve.reading(read_at + 61)

        assert lost is sieve.reading(read_at + 119)
        assert sieve.reading(read_at + 121) == Lost("last reading over 120 s old")
        assert sieve.reading(read_at + 1000) == Lost("last reading over 960 s old")
        assert isinstance(sieve.reading(math.inf), Lost)
        assert isinstance(sieve.reading(math.nan), Lost)

    def test_first_sample_after_a_gap_waits(self) -> None:
        """After a gap longer than stale_after samples must agree anew."""
        feed = Feed().settled()

        readings = feed.give(*[None] * 7, 9_000, 13_200, 13_200)

        assert [type(reading) for reading in readings] == [Seen] * 6 + [Lost] * 3 + [Seen]
        assert readings[-1] == Seen(13_200)

    def test_samples_far_apart_do_not_agree(self) -> None:
        """Two samples with a gap between them are two first samples."""
        readings = Feed().give(12_500, *[None] * 7, 12_500, 12_500)

        assert isinstance(readings[-2], Lost)
        assert readings[-1] == Seen(12_500)

    @pytest.mark.parametrize(
        ("pause_s", "readings"),
        [
            pytest.param(60.0, [Seen, Seen], id="on-stale-after"),
            pytest.param(60.5, [Lost, Seen], id="beyond"),
        ],
    )
    def test_pause_at_the_limit_is_no_gap(self, pause_s: float, readings: list[type]) -> None:
        """A sample as old as stale_after allows still follows the one before it."""
        feed = Feed().settled()
        feed.now += pause_s - POLL_S

        assert [type(one) for one in feed.give(12_562, 12_562)] == readings

    @pytest.mark.parametrize(
        ("pause_s", "last"), [(60.0, Seen), (60.5, Lost)], ids=["on-stale-after", "beyond"]
    )
    def test_samples_at_the_limit_still_agree(self, pause_s: float, last: type) -> None:
        """The second sample after a start may come stale_after later, no more."""
        feed = Feed()
        feed.give(12_500)
        feed.now += pause_s - POLL_S

        assert type(feed.give(12_500)[0]) is last

    def test_a_sample_of_the_same_instant_counts(self) -> None:
        """Two samples of one instant are both judged."""
        feed = Feed(replace(RULES, median_of=1)).settled()

        feed.sieve.take(Sample(feed.now, 12_562))

        assert feed.sieve.reading(feed.now) == Seen(12_562)

    def test_waiting_is_reported_only_while_it_is_so(self) -> None:
        """A first sample that nothing followed is soon not worth mentioning."""
        feed = Feed()
        feed.give(12_500)

        assert feed.sieve.reading(feed.now + 60.0) == Lost(
            "waiting for readings that agree, 1 of 2 so far"
        )
        assert feed.sieve.reading(feed.now + 60.5) == Lost("no reading yet")

    def test_reading_holds_for_stale_after(self) -> None:
        """A reading says until when it stands; one that is lost does not stand at all."""
        feed = Feed()

        assert feed.sieve.holds_until == -math.inf
        assert feed.settled().sieve.holds_until == feed.now + 60.0

    def test_a_refused_sample_does_not_refresh_the_age(self) -> None:
        """Faults, values out of range and jumps leave the reading as old as it was."""
        feed = Feed().settled()

        readings = feed.give(
            Fault.BAD_CRC, 85_000, Fault.EMPTY, 30_000, 85_000, -5_000, Fault.ABSENT
        )

        assert readings[:6] == [Seen(12_500)] * 6
        assert readings[6] == Lost(
            "last reading over 60 s old; waiting for readings that agree, 1 of 2 so far; "
            "not on the bus"
        )

    def test_a_sample_from_the_past_is_passed_over(self) -> None:
        """A thread that comes back late changes nothing."""
        feed = Feed().settled()
        before = feed.sieve.reading(feed.now)

        feed.sieve.take(Sample(feed.now - 30, 12_000))

        assert feed.sieve.reading(feed.now) is before
        assert feed.sieve.reading(feed.now + 60.1) == Lost("last reading over 60 s old")
        assert feed.sieve.counts == {}

    def test_a_late_sample_confirms_no_jump(self) -> None:
        """What was read before the jump that waits does not agree with it, whatever it says."""
        feed = Feed().settled()
        feed.give(30_000)

        for before_s in (5, 4, 3):
            feed.sieve.take(Sample(feed.now - before_s, 30_000))

        assert feed.sieve.reading(feed.now) == Seen(12_500)
        assert feed.sieve.held_mc == 30_000
        assert feed.sieve.counts == {Fault.JUMP: 1}


class TestRange:
    @pytest.mark.parametrize(
        ("value_mc", "kept"),
        [
            pytest.param(-10_001, False, id="below"),
            pytest.param(-10_000, True, id="on-lowest"),
            pytest.param(0, True, id="zero-is-a-value"),
            pytest.param(60_000, True, id="on-highest"),
            pytest.param(60_001, False, id="above"),
        ],
    )
    def test_ends_are_inside(self, value_mc: int, kept: bool) -> None:
        """Both ends of the range are plausible, a millidegree further is not."""
        feed = Feed()

        readings = feed.give(value_mc, value_mc)

        assert (readings[-1] == Seen(value_mc)) is kept
        assert feed.sieve.counts[Fault.OUT_OF_RANGE] == (0 if kept else 2)
        assert feed.sieve.plausible(Sample(feed.now, value_mc)) is kept

    def test_a_fault_is_no_plausible_temperature(self) -> None:
        """A sample without a value is none that a probe can have."""
        assert not Sieve(RULES).plausible(Sample(START, None, Fault.EMPTY))

    @pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 12.5, "12500", None])
    def test_what_is_no_whole_number_is_refused(self, value: object) -> None:
        """NaN, infinity and anything but whole millidegrees never become a reading."""
        feed = Feed().settled()

        for _ in range(3):
            feed.now += POLL_S
            feed.sieve.take(Sample(feed.now, value))  # type: ignore[arg-type]

        assert feed.sieve.counts == {Fault.NOT_A_NUMBER: 3}
        assert feed.sieve.reading(feed.now) == Seen(12_500)

    @pytest.mark.parametrize("at", [math.nan, math.inf])
    def test_an_instant_that_is_none_is_refused(self, at: float) -> None:
        """A sample without a finite instant cannot refresh anything."""
        feed = Feed().settled()

        feed.sieve.take(Sample(at, 12_500))

        assert feed.sieve.counts == {Fault.NOT_A_NUMBER: 1}
        assert isinstance(feed.sieve.reading(feed.now + 61), Lost)

    def test_a_value_beside_a_fault_is_not_used(self) -> None:
        """A sample with both is a fault."""
        feed = Feed().settled()

        feed.sieve.take(Sample(feed.now + 50, 12_500, Fault.BAD_CRC))

        assert isinstance(feed.sieve.reading(feed.now + 61), Lost)


class TestJump:
    def test_step_as_fast_as_physics_allows_passes(self) -> None:
        """In 10 s at 100 mK/s beside a free 1 K a step of 2 K is no jump."""
        feed = Feed().settled()

        feed.give(14_500)

        assert feed.sieve.counts == {}
        assert feed.sieve.held_mc is None

    def test_jump_is_held_then_believed(self) -> None:
        """A jump waits until a second and a third sample agree with it, then stands at once."""
        feed = Feed().settled()

        readings = feed.give(20_000, 20_062)

        assert readings == [Seen(12_500), Seen(12_500)]
        assert (feed.sieve.held_mc, feed.sieve.last_fault) == (20_062, Fault.JUMP)
        assert feed.give(20_062) == [Seen(20_062)]
        assert (feed.sieve.held_mc, feed.sieve.last_fault) == (None, None)
        assert feed.sieve.counts == {Fault.JUMP: 3}

    def test_step_a_millikelvin_too_fast_is_held(self) -> None:
        """One millikelvin beyond the allowance is a jump."""
        feed = Feed().settled()

        feed.give(14_501)

        assert feed.sieve.counts == {Fault.JUMP: 1}
        assert feed.sieve.held_mc == 14_501

    def test_jump_that_goes_back_leaves_no_trace(self) -> None:
        """One odd sample among good ones moves nothing, not even the median."""
        feed = Feed().settled()

        readings = feed.give(20_000, 12_500, 12_500, 12_500)

        assert readings == [Seen(12_500)] * 4
        assert feed.sieve.held_mc is None

    def test_a_jump_returned_to_later_starts_its_confirmation_anew(self) -> None:
        """Good samples between odd ones forget the odd ones."""
        feed = Feed().settled()

        readings = feed.give(20_000, 12_500, 20_000, 12_500, 20_000, 20_000)

        assert readings == [Seen(12_500)] * 6

    def test_jumps_that_disagree_end_in_lost(self) -> None:
        """Wild samples are never believed: the reading goes stale instead."""
        feed = Feed().settled()

        readings = feed.give(20_000, 30_000, 40_000, 50_000, 0, 30_000, 45_000)

        assert readings[:6] == [Seen(12_500)] * 6
        assert isinstance(readings[6], Lost)

    def test_after_a_gap_nothing_is_held_as_a_jump(self) -> None:
        """What waits after a gap is a start, however far from the value of long ago."""
        feed = Feed().settled()

        feed.give(20_000, *[None] * 7, 30_000)

        assert feed.sieve.held_mc is None

    def test_more_time_allows_more_change(self) -> None:
        """The allowance grows with the time since the last sample that was believed."""
        feed = Feed().settled()

        assert feed.give(None, None, None, 17_500)[-1] == Seen(12_500)
        assert feed.sieve.counts == {}

    def test_slow_polling_still_confirms_within_bounded_time(self) -> None:
        """Where stale_after passes during confirmation, agreeing samples after it suffice."""
        sieve = Sieve(RULES)
        for count in range(4):
            sieve.take(Sample(START + 30 * count, 12_500))
        for count in range(4, 8):
            sieve.take(Sample(START + 30 * count, 25_000))

        assert sieve.reading(START + 30 * 7) == Seen(25_000)


class TestMedianAndOffset:
    def test_single_odd_sample_is_outvoted(self) -> None:
        """Within the jump limit one of three samples cannot move the reading."""
        feed = Feed().settled(12_000)

        assert feed.give(13_500, 12_000, 12_000) == [Seen(12_000)] * 3

    def test_reading_follows_with_one_sample_of_delay(self) -> None:
        """Two of three decide."""
        feed = Feed().settled(12_000)

        assert feed.give(12_062, 12_125, 12_187) == [Seen(12_000), Seen(12_062), Seen(12_125)]

    def test_a_value_that_stays_arrives_with_its_second_sample(self) -> None:
        """A step is followed as soon as two of three samples have it, and then stands."""
        feed = Feed().settled(12_000)

        assert feed.give(12_062, 12_062, 12_062) == [Seen(12_000), Seen(12_062), Seen(12_062)]

    def test_colder_of_two_while_few_are_there(self) -> None:
        """Right after the start the colder of two counts: a start is never hastened."""
        assert Feed().give(13_000, 12_937)[-1] == Seen(12_937)
        assert Feed().give(12_937, 13_000)[-1] == Seen(12_937)

    def test_offset_comes_last(self) -> None:
        """Range and jump judge what the probe says, the reading carries the offset."""
        feed = Feed(replace(RULES, offset_mk=-250, highest_mc=12_500))

        assert feed.give(12_500, 12_500)[-1] == Seen(12_250)

    def test_median_of_one_follows_at_once(self) -> None:
        """With median_of = 1 each sample is the reading."""
        feed = Feed(replace(RULES, median_of=1)).settled(12_000)

        assert feed.give(12_062, 12_125) == [Seen(12_062), Seen(12_125)]

    def test_unchanged_value_is_the_same_object(self) -> None:
        """A reading that does not change costs no object."""
        feed = Feed().settled()

        first, *others = feed.give(12_500, 12_562, 12_500, Fault.EMPTY, 12_500, 12_500)

        assert all(other is first for other in others)


class TestStuck:
    HOURS = 6 * 360

    def test_repeating_on_a_moving_plant_is_noticed(self) -> None:
        """Six hours to the bit while outputs switched: worth a warning, the reading stands."""
        feed = Feed().settled()
        feed.sieve.moved()
        feed.sieve.moved()

        feed.give(*[12_500] * (self.HOURS - 4))
        assert not feed.sieve.stuck(feed.now)
        reading = feed.give(12_500, 12_500)[-1]

        assert feed.sieve.stuck(feed.now)
        assert reading == Seen(12_500)

    def test_repeating_on_a_plant_at_rest_is_not(self) -> None:
        """A chamber in which nothing switches may stand still for as long as it likes."""
        feed = Feed().settled()
        feed.sieve.moved()

        feed.give(*[12_500] * (2 * self.HOURS))

        assert not feed.sieve.stuck(feed.now)

    def test_one_step_ends_it(self) -> None:
        """A single step of the probe proves that it lives."""
        feed = Feed().settled()
        feed.sieve.moved()
        feed.sieve.moved()
        feed.give(*[12_500] * self.HOURS)
        assert feed.sieve.stuck(feed.now)

        feed.give(12_562)

        assert not feed.sieve.stuck(feed.now)

    def test_lost_is_not_stuck(self) -> None:
        """A probe that gives nothing has its own alarm."""
        feed = Feed().settled()
        feed.sieve.moved()
        feed.sieve.moved()

        assert not feed.sieve.stuck(feed.now + 7 * 3600)
        feed.give(*[12_500] * self.HOURS)
        assert feed.sieve.stuck(feed.now + 60.0)
        assert not feed.sieve.stuck(feed.now + 60.5)

    def test_infinite_time_switches_it_off(self) -> None:
        """A reservoir full of melting ice stands still for hours."""
        feed = Feed(replace(RULES, stuck_after_s=math.inf)).settled(0)
        for _ in range(10):
            feed.sieve.moved()

        feed.give(*[0] * (2 * self.HOURS))

        assert not feed.sieve.stuck(feed.now)


class TestCounts:
    def test_every_refusal_is_counted_with_its_raw_text(self) -> None:
        """Counts tell reasons apart; the raw text of the last refusal is kept beside the newest."""
        feed = Feed().settled()

        feed.give(Fault.EMPTY, Fault.BAD_CRC, Fault.EMPTY, 12_500)

        assert feed.sieve.counts == {Fault.EMPTY: 2, Fault.BAD_CRC: 1}
        assert feed.sieve.refused_raw == "EMPTY"
        assert feed.sieve.last_raw == "12500"
        assert feed.sieve.last_fault is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"lowest_mc": 60_000}, "lowest_mc 60000 must be below highest_mc 60000"),
        ({"median_of": 2}, "median_of must be odd and at least 1, found 2"),
        ({"median_of": -1}, "median_of must be odd and at least 1, found -1"),
        ({"agree": 0}, "agree must be 1 or more, found 0"),
        ({"confirm": -1}, "confirm must be 0 or more, found -1"),
        ({"agree_mk": -1}, "agree_mk must be 0 or more, found -1"),
        ({"fastest_mk_per_s": math.nan}, "fastest_mk_per_s must be 0 or more, found nan"),
        ({"stuck_moves": 0}, "stuck_moves must be 1 or more, found 0"),
        ({"stale_after_s": 0.0}, "stale_after_s must be a finite time above zero, found 0.0"),
        ({"stale_after_s": math.nan}, "stale_after_s must be a finite time above zero, found nan"),
        ({"stale_after_s": math.inf}, "stale_after_s must be a finite time above zero, found inf"),
        ({"stuck_after_s": math.nan}, "stuck_after_s must be above zero, found nan"),
    ],
)
def test_rules_that_make_no_sense_are_refused(change: dict[str, float], message: str) -> None:
    """No half-valid rules exist; the message names the rule and what was found."""
    with pytest.raises(ValueError, match=f"^{message}$"):
        replace(RULES, **change)  # type: ignore[arg-type]


def test_every_place_has_rules_that_refuse_a_reset() -> None:
    """85 °C is no reading anywhere, whatever the bytes around it say."""
    assert set(RULES_BY_PLACE) == set(PROBE_NAMES)
    assert all(rules.highest_mc < 85_000 for rules in RULES_BY_PLACE.values())


odd_samples = st.builds(
    Sample,
    at=st.floats(0, 400) | st.sampled_from([math.nan, math.inf, -math.inf]),
    value_mc=st.none()
    | st.integers(-20_000, 70_000)
    | st.integers(12_000, 13_000)
    | st.floats(allow_nan=True),
    fault=st.none() | st.none() | st.sampled_from(Fault),
)


@given(st.lists(odd_samples, max_size=40))
def test_seen_is_always_a_fresh_whole_number_in_range(samples: list[Sample]) -> None:
    """Whatever comes in, a reading is whole, plausible, and backed by a recent good sample."""
    sieve = Sieve(replace(RULES, offset_mk=100))
    newest = -math.inf
    for sample in sorted(samples, key=lambda one: one.at if math.isfinite(one.at) else -1.0):
        sieve.take(sample)
        now = sample.at if math.isfinite(sample.at) else newest
        if sample.fault is None and type(sample.value_mc) is int and math.isfinite(sample.at):
            newest = max(newest, sample.at)
        reading = sieve.reading(now)
        if isinstance(reading, Seen):
            assert type(reading.value_mc) is int
            assert -9_900 <= reading.value_mc <= 60_100
            assert now - newest <= RULES.stale_after_s


@given(
    st.lists(
        st.integers(-200, 240).map(lambda steps: steps * 125 // 2) | st.sampled_from(Fault),
        min_size=1,
        max_size=60,
    )
)
def test_same_samples_give_the_same_readings(values: list[int | Fault]) -> None:
    """Nothing but the samples and their instants decides."""
    first, second = Feed(), Feed()

    assert first.give(*values) == second.give(*values)
    assert first.sieve.counts == second.sieve.counts
