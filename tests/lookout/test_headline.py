"""The headline: one sentence with its number, and "in band" only when that is what is shown."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from controller.domain.requests import Acknowledge, Pause, Payload, Request, Resume
from controller.domain.status import TimersLeft
from controller.lookout.headline import ChamberState, headline_of
from tests.lookout.houses import LIMITS, NOW, alarm, probes, snapshot


def asked(payload: Payload, who: str = "Ann") -> Request:
    at_ms = round(NOW.timestamp() * 1000)
    return Request(id=1, payload=payload, who=who, asked_utc_ms=at_ms, boot_id="b", asked_boot_ms=0)


@pytest.mark.parametrize(
    ("air_f", "state"),
    [
        (66.43, ChamberState.OUT_OF_BAND),
        (66.04, ChamberState.IN_BAND),
        (63.0, ChamberState.IN_BAND),
        (62.94, ChamberState.OUT_OF_BAND),
    ],
)
def test_in_band_is_what_the_three_figures_show(air_f: float, state: ChamberState) -> None:
    """66.4 °F does not lie between 63.0 and 66.0; 66.04 is shown as 66.0 and does."""
    band = {"cut_out_c": (63.0 - 32) / 1.8, "cut_in_c": (66.0 - 32) / 1.8}
    shown = snapshot(probes=probes((air_f - 32) / 1.8), **band)

    assert headline_of(shown, replace(LIMITS, unit="F"), NOW).state is state


def test_a_pause_names_who_and_until_when() -> None:
    """It is not "in band", whatever the air is."""
    paused = replace(
        snapshot(timers_left=TimersLeft(pause_s=840.0)), requests=(asked(Pause(for_s=900.0)),)
    )

    headline = headline_of(paused, LIMITS, NOW)

    assert headline.state is ChamberState.PAUSED
    assert headline.words == "Paused by Ann until 14:14: pump and fan are off."


def test_of_two_pauses_the_one_that_holds_is_named() -> None:
    """The shorter one that came after it changes nothing; one before a resume is over."""
    requests = (
        asked(Pause(for_s=9000.0), who="Ole"),
        asked(Resume()),
        asked(Pause(for_s=900.0), who="Ann"),
        asked(Pause(for_s=300.0), who="Tove"),
    )
    paused = replace(snapshot(timers_left=TimersLeft(pause_s=840.0)), requests=requests)

    assert headline_of(paused, LIMITS, NOW).words.startswith("Paused by Ann until")


def test_what_needs_nobody_soon_is_a_note_and_no_alarm() -> None:
    """The chamber is in band, and the note says what to change some day."""
    noted = headline_of(snapshot(alarms=[alarm("frequent_starts")]), LIMITS, NOW)

    assert noted.state is ChamberState.IN_BAND
    assert noted.alarms == ()
    assert noted.notes == (
        "Pump starting too often. Widen the band or move the air probe out of the draught.",
    )


def test_an_alarm_has_number_limit_action_and_who_has_seen_it() -> None:
    """Seen does not mean gone."""
    seen = replace(
        snapshot(alarms=[alarm("air_high", acknowledged=True)], probes=probes(21.2, 13.0)),
        requests=(asked(Acknowledge(), who="Tove"),),
    )

    headline = headline_of(seen, LIMITS, NOW)

    assert headline.state is ChamberState.ALARM
    assert headline.words == "Air too warm: 21.2 °C (limit 19.0 °C)."
    assert headline.action == "Change the packs now."
    assert headline.alarms[0].seen == "Seen by Tove at 14:00"


def test_an_alarm_during_a_pause_says_both() -> None:
    """The alarm first: the pause may be why."""
    both = snapshot(
        alarms=[alarm("air_high")], probes=probes(21.2), timers_left=TimersLeft(pause_s=60.0)
    )

    headline = headline_of(both, LIMITS, NOW)

    assert headline.state is ChamberState.ALARM
    assert headline.more.startswith("Paused until ")
    assert headline.action == "End the pause as soon as hands are out of the chamber."


@pytest.mark.parametrize(
    ("water_c", "packs"), [(4.4, False), (8.0, False), (8.1, True), (None, True)]
)
def test_packs_with_ice_in_them_are_not_changed_for_warm_air(
    water_c: float | None, *, packs: bool
) -> None:
    """A set would be wasted; the guide's own first step is to look at the reservoir."""
    warm = snapshot(alarms=[alarm("air_high")], probes=probes(21.2, water_c))

    action = headline_of(warm, LIMITS, NOW).action

    assert action.startswith("Change the packs" if packs else "The water is still cold: ")
    assert headline_of(warm, replace(LIMITS, reservoir_warm_c=None), NOW).action.startswith(
        "Change the packs"
    )


def test_no_data_has_the_last_reading_and_what_to_do() -> None:
    """Never a good state that is old."""
    headline = headline_of(snapshot(silent=True), LIMITS, NOW)

    assert headline.state is ChamberState.NO_DATA
    assert headline.words.startswith("No data for 6 min 40 s.")
    assert headline.more == "Last known, at 14:00: Air 16.2 °C."
    assert headline.action


def test_the_worst_alarm_comes_first() -> None:
    """What harms the crop before what can wait until morning."""
    two = snapshot(alarms=[alarm("long_run"), alarm("air_high")], probes=probes(21.2))

    names = [each.name for each in headline_of(two, LIMITS, NOW.astimezone(UTC)).alarms]

    assert names == ["air_high", "long_run"]
