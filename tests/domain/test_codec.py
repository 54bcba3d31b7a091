"""Values to JSON and back: nothing lost, nothing believed that is not so."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from controller.domain.alarms import Alarm
from controller.domain.codec import NewerFormatError, UnreadableError
from controller.domain.published_forecast import FORECAST_CODEC, PublishedForecast
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    Payload,
    ReportSwapDue,
    RequestKind,
    Reset,
    Resume,
    SetStage,
    Withdraw,
    kind_of,
    payload_text,
    read_payload,
)
from controller.domain.status import (
    STATUS_CODEC,
    LoopFigures,
    ProbesStatus,
    ProbeStatus,
    Status,
    TimersLeft,
)

AT = datetime(2026, 7, 14, 14, tzinfo=UTC)
STATUS = Status(
    as_of=AT,
    boot_id="boot-a",
    boottime_s=100.0,
    tick_s=5.0,
    chamber="hall shelf",
    stage="fruiting",
    phase="rest",
    reason="no call for cooling",
    pump=False,
    fan=False,
    cut_in_c=17.0,
    cut_out_c=15.5,
    probes=ProbesStatus(air=ProbeStatus(reading_c=16.2, lost=None)),
)
numbers = st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(codec="utf-8"), max_size=20)
probe = st.none() | st.builds(ProbeStatus, reading_c=st.none() | numbers, lost=st.none() | texts)
statuses = st.builds(
    replace,
    st.just(STATUS),
    as_of=st.datetimes(timezones=st.just(UTC)),
    boottime_s=numbers,
    chamber=texts,
    pump=st.booleans(),
    probes=st.builds(ProbesStatus, air=probe, reservoir=probe, room=probe, coil_outlet=probe),
    timers_left=st.builds(TimersLeft, pause_s=st.none() | numbers),
    alarms=st.lists(
        st.builds(Alarm, name=texts, about=texts, acknowledged=st.booleans()), max_size=3
    ).map(tuple),
    figures=st.builds(
        LoopFigures,
        starts=st.none() | st.integers(0, 10**9),
        refused=st.dictionaries(texts, st.dictionaries(texts, st.integers(0, 10**6), max_size=2),
                                max_size=2),
    ),
)  # fmt: skip


@given(statuses)
def test_a_status_comes_back_as_it_went(status: Status) -> None:
    """Text and back is the identity; the schema that is made from the type holds for the text."""
    text = STATUS_CODEC.text(status)

    assert STATUS_CODEC.read(text) == status
    Draft202012Validator(STATUS_CODEC.schema()).validate(json.loads(text))


PAYLOADS: list[Payload] = [
    LogSwap(packs=4, at=AT, note="soft", frozen_through=FrozenThrough.NO),
    SetStage(name="pinning", instead_of="fruiting"),
    Pause(for_s=900.0),
    Resume(),
    Acknowledge(alarm="air_high"),
    Acknowledge(),
    Reset(),
    ReportSwapDue(due=True, until_boot_ms=7),
    Withdraw(request=7),
]


@pytest.mark.parametrize("payload", PAYLOADS)
def test_a_payload_comes_back_as_it_went(payload: Payload) -> None:
    """By its kind, for every kind there is."""
    assert read_payload(kind_of(payload), payload_text(payload)) == payload
    assert {kind_of(each) for each in PAYLOADS} == set(RequestKind)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"as_of": "2026-07-14T14:00:00"}, "UTC offset"),
        ({"as_of": 1_784_037_600}, "as_of"),
        ({"as_of": "0001-01-01T00:00:00+14:00"}, "years 1 to 9999"),
        ({"tick_s": "5"}, "tick_s"),
        ({"pump": 1}, "pump"),
        ({"boottime_s": float("nan")}, "boottime_s"),
        ({"cut_in_c": float("inf")}, "cut_in_c"),
        ({"probes": {"air": {"reading_c": "warm", "lost": None}}}, "probes.air.reading_c"),
        ({"alarms": [3]}, "alarms.0"),
        ({"alarms": {}}, "alarms"),
        ({"chamber": None}, "chamber"),
    ],
)
def test_what_is_no_status_is_refused_by_name(change: dict[str, object], why: str) -> None:
    """The key that is wrong stands in the message."""
    document = {**STATUS_CODEC.document(STATUS), **change}

    with pytest.raises(UnreadableError, match=why):
        STATUS_CODEC.read(json.dumps(document))


@pytest.mark.parametrize("text", ["", "{", "[]", "3", "[" * 100_000, b"\xff", '{"as_of": 1}'])
def test_what_is_no_document_is_refused(text: str | bytes) -> None:
    """In one kind of error, whatever it is."""
    with pytest.raises(UnreadableError):
        STATUS_CODEC.read(text)


def test_a_newer_format_is_kept_apart_from_damage() -> None:
    """Keys of a later release are passed over; a later format is named as such."""
    document = STATUS_CODEC.document(STATUS)

    assert STATUS_CODEC.read(json.dumps({**document, "humidity": {"rh": 0.9}})) == STATUS
    with pytest.raises(NewerFormatError, match="found format 2, allowed: up to 1"):
        STATUS_CODEC.read(json.dumps({**document, "format": 2, "probes": []}))


def test_half_a_character_and_no_number_are_still_a_document() -> None:
    """A name cut in the middle of a character, or a NaN, must not stop what carries it."""
    text = STATUS_CODEC.text(replace(STATUS, chamber="loft \ud83d"))
    nan = FORECAST_CODEC.text(PublishedForecast(as_of=AT, reserve_kj=float("nan")))

    assert STATUS_CODEC.read(text.encode()).chamber == "loft ?"
    assert FORECAST_CODEC.read(nan).reserve_kj is None
