"""Bytes from outside, good ones changed and any at all: refused in our own words, or taken."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from controller.domain.requests import LogSwap
from controller.lookout.broker.incoming_requests import IncomingRequests
from controller.records.requests_file import REQUESTS, ask
from controller.service.kept_timers import read_kept
from tests.fuzz import http
from tests.fuzz.seeds import SENT, seeds
from tests.fuzz.targets import TARGETS
from tests.lookout.houses import settings_with
from tests.support.random_inputs import examples


@st.composite
def changed(draw: st.DrawFn, good: tuple[bytes, ...]) -> bytes:
    """Good bytes with some cut out, put in or turned over."""
    data = bytearray(draw(st.sampled_from(good)))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        match draw(st.sampled_from(("cut", "put", "turn"))):
            case "cut":
                del data[at : at + draw(st.integers(1, 40))]
            case "put":
                data[at:at] = draw(st.binary(max_size=12) | st.sampled_from(ODD))
            case _:
                if data:
                    data[at % len(data)] ^= 1 << draw(st.integers(0, 7))
    return bytes(data)


ODD = (b"\x00", b"\xff", b"nan", b"-1e999", b"9" * 400, b'"', b"[", b"]]", b"\n", b"\xe2\x80\xae")


@pytest.mark.parametrize("name", TARGETS)
def test_good_bytes_pass(name: str) -> None:
    """What the random inputs begin from is in order itself."""
    for good in seeds(name):
        TARGETS[name](good)


def test_good_messages_are_accepted(tmp_path: Path) -> None:
    """A fuzzer that starts from what the first check refuses never sees the others."""
    requests = tmp_path / REQUESTS
    ask(requests, LogSwap(packs=4, at=SENT), who="Tove")
    for seed in seeds("message"):
        incoming = IncomingRequests(requests, settings_with(tmp_path), kept=tmp_path / "ids")
        asked = incoming.take(seed.replace(b'"id": "1"', b'"id": "2"', 1), kept=False, now=SENT)
        assert asked is None or asked.accepted, asked


def test_good_timers_are_believed(tmp_path: Path) -> None:
    """The same for what is kept over a restart."""
    for seed in seeds("kept_timers"):
        (tmp_path / "kept.json").write_bytes(seed)
        assert read_kept(tmp_path / "kept.json").timers is not None


@pytest.mark.parametrize("name", TARGETS)
@examples(60, suppress_health_check=[HealthCheck.data_too_large])
@given(draws=st.data())
def test_whatever_comes_it_fails_in_our_own_words_only(name: str, draws: st.DataObject) -> None:
    """Some dozens of inputs in each run; the fuzzer that follows coverage tries millions."""
    TARGETS[name](draws.draw(changed(seeds(name)) | st.binary(max_size=300)))


def test_every_route_is_described(tmp_path: Path) -> None:
    """The tester of the HTTP applications goes by the description; a new route must be in it."""
    with http.page(tmp_path) as (app, _, _):
        for routes, table in (
            (app.routes, http.PAGE),
            (http.plan(tmp_path)._app.routes, http.PLAN),
        ):
            there = {(method, route.path) for route in routes for method in route.methods}
            assert {each for each in there if each[0] != "HEAD"} == set(table)


def test_what_was_found_once_is_tried_for_ever() -> None:
    """Inputs that broke something; each by its target."""
    for name, data in SAVED_INPUTS:
        TARGETS[name](data)


def _with(data: bytes, at: int, instead: bytes) -> bytes:
    return data[:at] + instead + data[at + len(instead) :]


SAVED_INPUTS: tuple[tuple[str, bytes], ...] = (
    # a column of a row that is nothing, where the table asks for text
    ("database", _with(seeds("database")[0], 6660, b"\x02")),
    # a length in a record that asks for more memory than there is
    ("database", _with(seeds("database")[0], 2354, b"\xff\xff\xff\xff\x7f\x15\x15\x88\x01")),
    # a byte that is no text in the schema: SQLite quotes it, and Python cannot decode that
    (
        "database",
        seeds("database")[0].replace(b"CREATE TABLE readings", b"CREATE T\xc7BLE readings"),
    ),
)
