"""Rule 9: each alarm by name, its delay, its clear side, and being raised once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.decide import begin, decide
from controller.core.law import Law
from controller.core.state import Asked, Inputs
from controller.domain.alarms import AlarmName
from tests.support.laws import make_inputs, make_law, reading

LAW = make_law(raise_s=60, clear_s=30)


def history(law: Law, steps: list[tuple[float, Inputs]]) -> list[tuple[float, str, str, str]]:
    """Return (instant, kind, name, about) of every alarm event."""
    state, result = begin(0.0, last_stop=-10_000.0), []
    for at, inputs in steps:
        state, decision = decide(state, inputs, at, law)
        result += [
            (at, event.kind.value, event.name, event.detail)
            for event in decision.events
            if event.kind.value.startswith("alarm")
        ]
    return result


@pytest.mark.parametrize(
    ("name", "about", "bad", "between", "good"),
    [
        ("air_high", "", make_inputs(19.0), make_inputs(18.6), make_inputs(18.5)),
        ("air_low", "", make_inputs(12.0), make_inputs(12.4), make_inputs(12.5)),
        (
            "reservoir_warm",
            "",
            make_inputs(16.0, 12.0),
            make_inputs(16.0, 11.6),
            make_inputs(16.0, 11.5),
        ),
        (
            "reservoir_freezing",
            "",
            make_inputs(16.0, 0.5),
            make_inputs(16.0, 0.9),
            make_inputs(16.0, 1.0),
        ),
        (
            "swap_due",
            "",
            make_inputs(16.0, swap_due=True),
            make_inputs(16.0, swap_due=None),
            make_inputs(16.0, swap_due=False),
        ),
    ],
    ids=["air_high", "air_low", "reservoir_warm", "reservoir_freezing", "swap_due"],
)
def test_threshold_alarm_waits_holds_and_clears_apart(
    name: str, about: str, bad: Inputs, between: Inputs, good: Inputs
) -> None:
    """Raised once after the delay, kept between the thresholds, cleared after its own delay."""
    steps = [
        (0.0, bad),
        (59.0, bad),
        (60.0, bad),
        (120.0, bad),
        (500.0, between),
        (600.0, good),
        (629.0, good),
        (630.0, good),
        (700.0, good),
    ]

    assert history(LAW, steps) == [
        (60.0, "alarm_raised", name, about),
        (630.0, "alarm_cleared", name, about),
    ]


def test_break_in_the_condition_starts_the_delay_again() -> None:
    """A delay counts only while its condition lasts."""
    bad, good = make_inputs(19.0), make_inputs(16.0)

    steps = [(0.0, bad), (50.0, good), (55.0, bad), (114.0, bad), (115.0, bad)]

    assert history(LAW, steps) == [(115.0, "alarm_raised", "air_high", "")]


def test_lost_probe_is_named_and_others_stay_silent() -> None:
    """Each fitted probe has its own alarm; a probe that is not fitted has none."""
    lost = make_inputs(16.0, None, room=reading(None))

    assert history(LAW, [(0.0, lost), (60.0, lost)]) == [
        (60.0, "alarm_raised", "probe_lost", "reservoir"),
        (60.0, "alarm_raised", "probe_lost", "room"),
    ]


@pytest.mark.parametrize(
    ("bad", "name", "about"),
    [
        (make_inputs(16.0, room=reading(None)), "probe_lost", "room"),
        (make_inputs(16.0, level=False), "reservoir_empty", ""),
    ],
    ids=["probe", "level-switch"],
)
def test_what_is_fitted_again_has_its_whole_delay(bad: Inputs, name: str, about: str) -> None:
    """A delay that ran while the configuration dropped the probe or switch does not run on."""
    unfitted = make_inputs(16.0)

    steps = [(0.0, bad), (50.0, bad), (51.0, unfitted), (500.0, unfitted), (501.0, bad)]

    assert history(LAW, [*steps, (560.0, bad)]) == []
    assert history(LAW, [*steps, (561.0, bad)]) == [(561.0, "alarm_raised", name, about)]


def test_long_run_is_raised_while_the_pump_runs_and_clears_after() -> None:
    """The alarm tells of a plant at its limit; it does not stop the cooling."""
    law = make_law(raise_s=0, clear_s=0, longest_run_s=7200)
    warm, answered = make_inputs(17.0), make_inputs(16.6)
    steps = [(0.0, warm), (10.0, warm), (20.0, answered), (7199.0, answered), (7200.0, answered)]

    assert history(law, [*steps, (7300.0, make_inputs(15.0)), (7301.0, make_inputs(15.0))]) == [
        (7200.0, "alarm_raised", "long_run", ""),
        (7300.0, "alarm_cleared", "long_run", ""),
    ]


def test_frequent_starts_count_within_one_hour() -> None:
    """More starts than allowed within an hour raise the alarm; below the limit it clears."""
    law = make_law(
        raise_s=0, clear_s=0, starts_per_hour=2, anti_short_cycle_s=60, minimum_run_s=60, run_on_s=0
    )
    warm, cold = make_inputs(17.0), make_inputs(15.0)
    steps = []
    for start in (0.0, 200.0, 400.0):
        steps += [(start, warm), (start + 100, cold)]

    result = history(law, [*steps, (3799.0, cold), (3801.0, cold), (4001.0, cold)])

    assert result == [
        (400.0, "alarm_raised", "frequent_starts", ""),
        (3801.0, "alarm_cleared", "frequent_starts", ""),
    ]


@pytest.mark.parametrize(
    ("inputs", "name", "about"),
    [
        (make_inputs(16.0, output_fault="fan"), "output_failed", "fan"),
        (make_inputs(16.0, records_fault="disk full"), "records_failing", ""),
    ],
    ids=["output_failed", "records_failing"],
)
def test_fault_of_the_machine_is_raised(inputs: Inputs, name: str, about: str) -> None:
    """A load that does not obey and records that fail are told."""
    assert history(LAW, [(0.0, inputs), (60.0, inputs)]) == [(60.0, "alarm_raised", name, about)]


def test_flow_not_proved_stands_until_a_run_is_answered() -> None:
    """Raised by the first failed run, kept through the wait, cleared by the first answer."""
    law = make_law(raise_s=0, clear_s=0)
    warm = make_inputs(17.0)
    steps = [(0.0, warm), (10.0, warm), (610.0, warm), (700.0, warm), (1510.0, warm)]

    result = history(law, [*steps, (1520.0, warm), (1530.0, make_inputs(16.7))])

    assert result == [
        (610.0, "alarm_raised", "flow_not_proved", ""),
        (1530.0, "alarm_cleared", "flow_not_proved", ""),
    ]


def test_acknowledged_alarm_stays_up_and_is_forgotten_when_it_clears() -> None:
    """Acknowledging tells that a person knows; it does not mend the cause."""
    bad, good = make_inputs(19.0), make_inputs(16.0)
    seen = replace(bad, asked=Asked(acknowledge=(AlarmName.AIR_HIGH,)))
    steps = [(0.0, bad), (60.0, bad), (70.0, seen), (80.0, seen), (100.0, good), (130.0, good)]

    assert history(LAW, steps) == [
        (60.0, "alarm_raised", "air_high", ""),
        (70.0, "alarm_acknowledged", "air_high", ""),
        (130.0, "alarm_cleared", "air_high", ""),
    ]
