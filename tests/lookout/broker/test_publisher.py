"""What a broker is told, held against a real one; and a broker that behaves badly."""

from __future__ import annotations

import json
import math
import re
import socket
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from structlog.testing import capture_logs

from controller.domain.published_forecast import FORECAST_CODEC, PlannedChange, PublishedForecast
from controller.domain.requests import LogSwap
from controller.errors import SettingsError
from controller.lookout.broker import publisher as mqtt
from controller.lookout.broker.connection import broker_of
from controller.lookout.broker.documents import TOPICS, schema_of
from controller.lookout.broker.identity import Identity, RunMode, identity_of, machine_name
from controller.lookout.broker.incoming_requests import IncomingRequests
from controller.lookout.broker.publisher import MqttPublisher, pause_after, publisher_of
from controller.records.requests_file import REQUESTS, ask, swaps, unanswered
from controller.records.schema import migrate
from controller.records.snapshot import Snapshot, take_snapshot
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.lookout.houses import alarm, put_status, settings_with, status
from tests.support.broker import Listener, RealBroker
from tests.support.machine import demand, program
from tests.support.waiting import until


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pauses of a test, not of a shed."""
    monkeypatch.setattr(mqtt, "FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr(mqtt, "LONGEST_PAUSE_S", 0.2)
    monkeypatch.setattr(mqtt, "FEED_EVERY_S", 0.05)
    monkeypatch.setattr(mqtt, "_TURN_S", 0.05)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RealBroker]:
    """A broker that lets everybody in."""
    started = RealBroker(tmp_path)
    yield started
    started.stop()


class Shed:
    """A chamber with records, and what tells of it."""

    def __init__(
        self, folder: Path, port: int, more: str = "", *, mode: RunMode = RunMode.LIVE
    ) -> None:
        self.place = folder
        self.identity = Identity(instance="c", machine="0123abcd", mode=mode)
        settings_with(folder, f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n{more}')
        self.settings = read_settings(folder / "c.toml")
        self.run = self._begin_records()
        put_status(folder, status())

    def _begin_records(self, boot: str = "boot-a") -> int:
        with closing(sqlite3.connect(self.place / "records.sqlite")) as file:
            migrate(file)
            run = file.execute(
                "INSERT INTO runs (boot_id, chamber, started_ms) VALUES (?, 'shed', 5)", (boot,)
            ).lastrowid
            file.execute("INSERT INTO clocks VALUES (?, 0, 1784000000000)", (run,))
            file.commit()
        assert run is not None
        return run

    def happen(self, *names: str) -> None:
        """Write events."""
        with closing(sqlite3.connect(self.place / "records.sqlite")) as file:
            for name in names:
                file.execute(
                    "INSERT INTO events (run, at_ms, kind, name, detail) VALUES (?, 9, 'raised',"
                    " ?, '')",
                    (self.run, name),
                )
            file.commit()

    def publisher(self) -> MqttPublisher:
        made = publisher_of(
            self.settings, self.place / "c.toml", self.place, identity=self.identity
        )
        assert made is not None
        return made

    def snapshot(self, forecast: PublishedForecast | None = None) -> Snapshot:
        return take_snapshot(self.place, at_utc=datetime.now(UTC), forecast=forecast)


@pytest.fixture
def begun() -> Iterator[Callable[[MqttPublisher], MqttPublisher]]:
    """Begins what tells, and ends it after the test."""
    publishers: list[MqttPublisher] = []

    def begin(publisher: MqttPublisher) -> MqttPublisher:
        publishers.append(publisher)
        publisher.begin()
        return publisher

    yield begin
    for each in publishers:
        each.close()


Begin = Callable[[MqttPublisher], MqttPublisher]
FORECAST = PublishedForecast(
    as_of=datetime(2026, 7, 14, 14, tzinfo=UTC),
    swap_due=datetime(2026, 7, 14, 20, tzinfo=UTC),
    early=datetime(2026, 7, 14, 19, tzinfo=UTC),
    reserve_kj=900.0,
    basis="learned",
    plan=(PlannedChange(at=datetime(2026, 7, 14, 18, tzinfo=UTC), packs=4, why="before bed"),),
)


def valid(what: str, documents: list[dict[str, Any]]) -> None:
    """Hold documents against the schema that ships."""
    validator = Draft202012Validator(
        schema_of(what), format_checker=Draft202012Validator.FORMAT_CHECKER
    )
    for each in documents:
        validator.validate(each)


@pytest.mark.parametrize("what", TOPICS)
def test_every_topic_has_a_schema_that_is_one(what: str) -> None:
    """Of JSON Schema 2020-12."""
    Draft202012Validator.check_schema(schema_of(what))


def test_who_comes_later_has_everything_at_once(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """State, alarms, forecast and presence are retained, and hold to their schemas."""
    shed = Shed(tmp_path, broker.port)
    put_status(tmp_path, status(alarms=[alarm("air_high")]))
    begun(shed.publisher())(shed.snapshot(FORECAST))
    early = Listener(broker.port)
    until(lambda: bool(early.of("forecast")), "the forecast is told")
    late = Listener(broker.port)
    until(lambda: len(late.received) >= 4, "everything is there at once")

    assert all(kept for _, _, kept in late.received)
    for what in ("state", "alarms", "forecast", "present"):
        valid(what, late.of(what))
    (state,) = late.of("state")
    assert state["status"]["probes"]["air"]["reading_c"] == 16.2
    assert late.of("alarms")[0]["alarms"][0]["name"] == "air_high"
    assert late.of("forecast")[0]["forecast"] == FORECAST_CODEC.document(FORECAST)
    assert late.of("present")[0]["present"] is True
    early.close()
    late.close()


def test_a_silent_control_process_leaves_no_old_numbers(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """The state says so; readings and alarms are unknown, not the last ones."""
    shed = Shed(tmp_path, broker.port)
    put_status(tmp_path, status(boottime_s=1.0))
    begun(shed.publisher())(shed.snapshot())
    listener = Listener(broker.port)
    until(lambda: bool(listener.of("alarms")), "the alarms are told")

    (state,) = listener.of("state")
    assert (state["silent"], state["status"]) == (True, None)
    assert listener.of("alarms")[0]["alarms"] is None
    valid("state", [state])
    listener.close()


def test_a_killed_lookout_is_reported_by_the_broker(tmp_path: Path, broker: RealBroker) -> None:
    """The last will, where nobody could say goodbye; and goodbye where one could."""
    shed = Shed(tmp_path, broker.port)
    publisher = shed.publisher()
    listener = Listener(broker.port)
    client = publisher._connected_client()
    until(lambda: client.loop(0.05) == 0 and publisher._up, "connected")
    until(lambda: client.loop(0.05) == 0 and bool(listener.of("present")), "told of")
    sock = client.socket()
    assert sock is not None
    sock.shutdown(socket.SHUT_RDWR)  # no goodbye goes out
    until(lambda: len(listener.of("present")) == 2, "the will is told")

    again = shed.publisher()
    again.begin()
    again(shed.snapshot())
    until(lambda: len(listener.of("present")) == 3, "back")
    again.close()
    until(lambda: len(listener.of("present")) == 4, "goodbye")

    assert [each["present"] for each in listener.of("present")] == [True, False, True, False]
    listener.close()


def test_events_outlive_a_broker_that_is_away(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """What happened while it was gone comes afterwards: every id, in order, none lost."""
    shed = Shed(tmp_path, broker.port)
    received_again = threading.Event()
    publisher = shed.publisher()
    # a listener keeps no place of its own: it must be there before anything is told again
    publisher._draw = lambda: float(not received_again.wait(20.0))
    begun(publisher)(shed.snapshot())
    listener = Listener(broker.port)
    until((tmp_path / mqtt.PLACE).exists, "a place is kept")
    shed.happen("first")
    until(lambda: len(listener.of("events")) == 1, "the first event")

    broker.stop()
    listener.client.loop_stop()
    shed.happen(*(f"away-{number}" for number in range(120)))
    broker.start()
    again = Listener(broker.port)
    received_again.set()
    until(lambda: len({e["id"] for e in again.of("events")}) >= 120, "all events")

    names = list(dict.fromkeys(each["name"] for each in again.of("events")))
    assert [n for n in names if n != "first"] == [f"away-{number}" for number in range(120)]
    valid("events", again.of("events"))
    again.close()


def test_a_restart_goes_on_where_the_last_one_stopped(tmp_path: Path, broker: RealBroker) -> None:
    """Events of the time in between come once; those told before do not come again."""
    shed = Shed(tmp_path, broker.port)
    shed.happen("long-ago")
    listener = Listener(broker.port)
    for name in ("one", "two"):
        publisher = shed.publisher()
        publisher.begin()
        until((tmp_path / mqtt.PLACE).exists, "a place is kept")
        shed.happen(name)
        until(lambda n=name: n in {e["name"] for e in listener.of("events")}, name)  # type: ignore[misc]
        publisher.close()
        shed.happen(f"after-{name}")

    assert [each["name"] for each in listener.of("events")] == ["one", "after-one", "two"]
    listener.close()


def test_a_new_database_is_reported_from_its_beginning(tmp_path: Path, broker: RealBroker) -> None:
    """Where the old one was set aside its numbers begin anew, and nothing is passed over."""
    shed = Shed(tmp_path, broker.port)
    listener = Listener(broker.port)
    publisher = shed.publisher()
    publisher.begin()
    until((tmp_path / mqtt.PLACE).exists, "a place is kept")
    shed.happen("old-1", "old-2", "old-3")
    until(lambda: len(listener.of("events")) == 3, "the old ones")
    publisher.close()
    (tmp_path / "records.sqlite").unlink()
    shed.run = shed._begin_records("boot-b")
    shed.happen("new-1")
    again = shed.publisher()
    again.begin()
    until(lambda: len(listener.of("events")) == 4, "the new one")
    again.close()

    ids = [each["id"] for each in listener.of("events")]
    assert len(set(ids)) == 4
    listener.close()


def asked(listener: Listener, document: object, *, age: timedelta = timedelta()) -> None:
    """Publish something on the topic of requests, sent now where nothing else is said."""
    if isinstance(document, dict):
        document = {"sent": (datetime.now(UTC) - age).isoformat(), **document}
    payload = document if isinstance(document, bytes) else json.dumps(document).encode()
    listener.client.publish("coldpin/c/0123abcd/ask", payload, qos=1)


def test_nothing_can_be_asked_for_unless_it_was_allowed(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """Commands are off by default."""
    shed = Shed(tmp_path, broker.port)
    begun(shed.publisher())(shed.snapshot())
    listener = Listener(broker.port)
    until(lambda: bool(listener.of("present")), "there")
    asked(listener, {"id": "1", "what": "reset"})
    shed.happen("after")
    until(lambda: bool(listener.of("events")), "something later")

    assert not (tmp_path / REQUESTS).exists()
    assert listener.of("answer") == []
    listener.close()


def test_what_is_asked_for_goes_the_way_of_the_page(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """The same requests with the same checks; an id is done once, whatever comes is answered."""
    shed = Shed(tmp_path, broker.port, "commands = true")
    begun(shed.publisher())(shed.snapshot())
    listener = Listener(broker.port)
    until(lambda: bool(listener.of("present")), "there")
    swap = {"id": "s1", "what": "swap", "fields": {"packs": "4", "through": "yes"}, "who": "Tove"}
    wrong = [
        b"\xff\x00",
        b"[" * 5000,
        {"id": "2", "what": "swap", "fields": {"packs": "4000"}},
        {"id": "3", "what": "open the door"},
        {"id": "4", "what": "reset", "more": 1},
        {"id": 5, "what": "reset"},
        {"id": "6", "what": "pause", "fields": {"minutes": 5}},
        b" " * 20_000,
    ]
    for each in (swap, swap, *wrong):
        asked(listener, each)
    until(lambda: len(listener.of("answer")) == 9, "nine answers")

    answers = listener.of("answer")
    valid("answer", answers)
    valid("ask", [{"sent": "2026-07-14T16:00:00+02:00", **swap}])
    assert [each["id"] for each in answers if each["accepted"]] == ["s1"]
    assert all("allowed" in each["why"] or "cannot" in each["why"] for each in answers[1:])
    (request,) = unanswered(tmp_path / REQUESTS, most=50)
    assert (request.kind.value, request.who) == ("swap", "Tove, by message")
    assert isinstance(request.payload, LogSwap)
    assert request.payload.packs == 4
    listener.close()


# --- two of one name ------------------------------------------------------------------------------


def test_a_copy_on_another_machine_pushes_nobody_off(tmp_path: Path, broker: RealBroker) -> None:
    """The attack: one configuration on two machines made 13 take-overs in two minutes."""
    sheds = []
    for name in ("shed", "copy"):
        (tmp_path / name).mkdir()
        sheds.append(Shed(tmp_path / name, broker.port))
    sheds[1].identity = Identity(instance="c", machine="cafecafe", mode=RunMode.LIVE)
    publishers = [shed.publisher() for shed in sheds]
    listener = Listener(broker.port)
    with capture_logs() as logs:
        for publisher, shed in zip(publishers, sheds, strict=True):
            publisher.begin()
            publisher(shed.snapshot())
        until(lambda: len({d["machine"] for d in listener.of("state")}) == 2, "both publish")
        for publisher in publishers:
            publisher.close()

    assert [log for log in logs if log["event"] == "mqtt"] == []
    until(
        lambda: [d["present"] for d in listener.of("present")].count(False) == 2,
        "each says that it ends",
    )
    listener.close()


def test_a_client_of_the_same_name_is_named_once(tmp_path: Path, broker: RealBroker) -> None:
    """The broker gives the reason of a take-over, and the log says what it may be: one line."""
    shed = Shed(tmp_path, broker.port)
    first, second = shed.publisher(), shed.publisher()
    with capture_logs() as logs:
        for each in (first, second):
            each.begin()
        until(lambda: first._seems_doubled and second._seems_doubled, "several take-overs")
        until(lambda: first._short_lived + second._short_lived > 6, "more of them")
        first.close()
        second.close()

    hints = [log["problem"] for log in logs if "another client" in log.get("problem", "")]
    assert 1 <= len(hints) <= 2  # one of each
    assert "coldpin-c-0123abcd-live" in hints[0]


@pytest.mark.parametrize("mode", [RunMode.DRY, RunMode.SIMULATED])
def test_values_that_are_not_real_have_a_prefix_of_their_own(
    tmp_path: Path, broker: RealBroker, begun: Begin, mode: RunMode
) -> None:
    """Never on a live topic, never retained, marked in each document."""
    shed = Shed(tmp_path, broker.port, mode=mode)
    live = Listener(broker.port)
    listener = Listener(broker.port, f"coldpin-{mode.value}/#")
    publisher = begun(shed.publisher())
    publisher(shed.snapshot(FORECAST))
    until(lambda: bool(listener.of("forecast")), "the forecast")
    late = Listener(broker.port, "#")
    publisher(shed.snapshot(None))
    until(lambda: len(late.of("forecast")) == 1, "something new")

    documents = [json.loads(payload) for _, payload, _ in listener.received]
    assert live.received == []
    assert {document["mode"] for document in documents} == {mode.value}
    assert not any(kept for _, _, kept in late.received)
    for each in (live, listener, late):
        each.close()


def test_what_a_configuration_says_is_the_mode(tmp_path: Path) -> None:
    """The laptop's plant is simulated; real probes with dry drivers are dry; all real is live."""
    simulated = settings_with(tmp_path)
    text = shipped_config("skerrow-pi.toml").read_text(encoding="utf-8")
    (tmp_path / "pi.toml").write_text(text, encoding="utf-8")
    dry = re.sub(r'driver = "gpio"', 'driver = "dry"', re.sub(r"(?m)^(pin|active_low).*", "", text))
    (tmp_path / "dry.toml").write_text(dry, encoding="utf-8")

    assert identity_of(simulated, "c").mode is RunMode.SIMULATED
    assert identity_of(read_settings(tmp_path / "pi.toml"), "c").mode is RunMode.LIVE
    assert identity_of(read_settings(tmp_path / "dry.toml"), "c").mode is RunMode.DRY


def test_a_name_that_no_topic_may_hold_is_published_all_the_same(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """A broker ends the session for a wildcard or half a character in a topic, each time anew."""
    named = identity_of(settings_with(tmp_path), "a+b#c/d\udcff\x07\0é")
    assert named.instance == "a-b-c-d---é"
    shed = Shed(tmp_path, broker.port)
    shed.identity = replace(shed.identity, instance=named.instance)

    begun(shed.publisher())(shed.snapshot(FORECAST))
    listener = Listener(broker.port, f"+/{named.instance}/#")
    until(lambda: bool(listener.of("forecast")), "the forecast")

    listener.close()


def test_a_cloned_card_is_another_machine(tmp_path: Path) -> None:
    """The machine id goes along with the card; serial number and network address do not."""
    card = tmp_path / "machine-id"
    card.write_text("0123456789abcdef0123456789abcdef\n", encoding="ascii")
    boards = []
    for number in (1, 2):
        serial = tmp_path / f"serial-{number}"
        serial.write_bytes(f"10000000abcdef0{number}\0".encode())
        boards.append(machine_name(card, serial, tmp_path / "none"))
    interfaces = []
    for number in (1, 2):
        interface = tmp_path / f"net-{number}" / "eth0"
        (interface / "device").mkdir(parents=True)
        (interface / "address").write_text(f"02:00:00:00:00:0{number}\n", encoding="ascii")
        interfaces.append(machine_name(card, tmp_path / "none", interface.parent))

    assert len({*boards, *interfaces}) == 4
    assert boards[0] == machine_name(card, tmp_path / "serial-1", tmp_path / "none")
    assert all(re.fullmatch("[0-9a-f]{8}", name) for name in boards)
    assert machine_name(*[tmp_path / "none"] * 3) == machine_name(*[tmp_path / "none"] * 3)


# --- messages that somebody may send --------------------------------------------------------------


@pytest.fixture
def incoming(tmp_path: Path) -> IncomingRequests:
    return IncomingRequests(
        tmp_path / REQUESTS, settings_with(tmp_path), kept=tmp_path / "mqtt-asked.json"
    )


NOW = datetime(2026, 7, 14, 14, 0, tzinfo=UTC)


def message(**changes: object) -> bytes:
    whole = {"id": "a1", "sent": NOW.isoformat(), "what": "pause", "fields": {"minutes": "5"}}
    return json.dumps({**whole, **changes}).encode()


@pytest.mark.parametrize(
    "changes",
    [
        {"who": "\ud800"},
        {"id": "\udfff"},
        {"who": "Tove\n\x1b[31m"},
        {"what": "pa\x00use"},
        {"fields": {"minutes": "5", "\ud800": "x"}},
        {"fields": {"minutes": "5\u202e"}},
        {"\ud800": 1},
    ],
)
def test_text_that_cannot_stand_anywhere_is_refused(
    incoming: IncomingRequests, changes: dict[str, object]
) -> None:
    """Half a surrogate pair ended the session; a newline or an escape goes into no log."""
    answer = incoming.take(message(**changes), kept=False, now=NOW)

    assert answer is not None
    assert not answer.accepted
    assert answer.why.isprintable()
    (answer.why + answer.id).encode()


def test_a_session_outlives_every_text(tmp_path: Path, broker: RealBroker, begun: Begin) -> None:
    """Whatever is sent, the connection stays, and the next message is answered."""
    shed = Shed(tmp_path, broker.port, "commands = true")
    begun(shed.publisher())(shed.snapshot())
    listener = Listener(broker.port)
    until(lambda: bool(listener.of("present")), "there")
    for who in ("\ud800", "x\ny", "\x1b"):
        asked(listener, {"id": "1", "what": "resume", "who": who})
    asked(listener, {"id": "2", "what": "resume"})
    until(lambda: len(listener.of("answer")) == 4, "four answers")

    assert [each["accepted"] for each in listener.of("answer")] == [False, False, False, True]
    assert len(listener.of("present")) == 1
    listener.close()


def test_a_change_that_is_corrected_by_message_counts_once(
    tmp_path: Path, incoming: IncomingRequests
) -> None:
    """As on the page: the record keeps both, and the new one takes the place of the old."""
    at = NOW - timedelta(hours=3)
    wrong = ask(tmp_path / REQUESTS, LogSwap(packs=2, at=at), who="Ann")
    fields = {"packs": "3", "instead_of": str(wrong)}

    answer = incoming.take(message(what="swap", fields=fields), kept=False, now=NOW)

    assert answer is not None
    assert answer.accepted
    (swap,) = swaps(tmp_path / REQUESTS)
    assert (swap.packs, swap.at) == (3, at), "only the number of packs was wrong"


@pytest.mark.parametrize("fields", [{"packs": "500"}, {"packs": "2", "at": "2027-07-14T14:00"}])
def test_a_change_that_cannot_be_is_refused_by_message_too(
    tmp_path: Path, incoming: IncomingRequests, fields: dict[str, str]
) -> None:
    """More packs than there are, or next year's."""
    answer = incoming.take(message(what="swap", fields=fields), kept=False, now=NOW)

    assert answer is not None
    assert not answer.accepted
    assert swaps(tmp_path / REQUESTS) == []


def test_an_id_is_done_once_also_after_a_restart(
    tmp_path: Path, incoming: IncomingRequests
) -> None:
    """The attack: the same message paused the chamber again after the lookout's restart."""
    first = incoming.take(message(), kept=False, now=NOW)
    again = IncomingRequests(
        tmp_path / REQUESTS, settings_with(tmp_path), kept=tmp_path / "mqtt-asked.json"
    )

    assert first is not None
    assert first.accepted
    assert again.take(message(), kept=False, now=NOW) is None
    assert len(unanswered(tmp_path / REQUESTS, most=50)) == 1


@pytest.mark.parametrize("content", ["", "[", "3", "[1, null]", "[" * 100_000])
def test_ids_that_cannot_be_read_stop_nothing(tmp_path: Path, content: str) -> None:
    """A damaged file is a line in the log."""
    kept = tmp_path / "mqtt-asked.json"
    kept.write_text(content, encoding="utf-8")
    incoming = IncomingRequests(tmp_path / REQUESTS, settings_with(tmp_path), kept=kept)

    answer = incoming.take(message(), kept=False, now=NOW)

    assert answer is not None
    assert answer.accepted


@pytest.mark.parametrize(
    ("sent", "accepted"),
    [
        ("2026-07-14T13:55:00+00:00", True),
        ("2026-07-14T15:56:00+02:00", True),
        ("2026-07-14T13:54:59+00:00", False),
        ("2026-07-14T14:01:00+00:00", True),
        ("2026-07-14T14:01:01+00:00", False),
        ("2026-07-14T14:00:00", False),
        ("now", False),
        (None, False),
        (1784037600, False),
    ],
)
def test_a_message_has_an_age(incoming: IncomingRequests, sent: object, accepted: bool) -> None:
    """One from a queue of a publisher that was off-line for hours is not done any more."""
    answer = incoming.take(message(sent=sent), kept=False, now=NOW)

    assert answer is not None
    assert answer.accepted is accepted
    assert accepted or "allowed" in answer.why


def test_a_flood_is_bounded(tmp_path: Path, incoming: IncomingRequests) -> None:
    """Thirty requests a minute are accepted; each is forced to the card."""
    answers = [incoming.take(message(id=str(number)), kept=False, now=NOW) for number in range(100)]
    later = incoming.take(
        message(id="later", sent=(NOW + timedelta(minutes=1)).isoformat()),
        kept=False,
        now=NOW + timedelta(minutes=1),
    )

    assert sum(answer.accepted for answer in answers if answer) == 30
    assert later is not None
    assert later.accepted


def test_what_is_no_number_is_null_and_ends_no_connection(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """NaN is no JSON: it is published as not known, and the next document as it is."""
    shed = Shed(tmp_path, broker.port)
    listener = Listener(broker.port)
    publisher = begun(shed.publisher())
    publisher(shed.snapshot(replace(FORECAST, reserve_kj=math.nan)))
    until(lambda: len(listener.of("forecast")) == 1, "the one without a number")
    publisher(shed.snapshot(FORECAST))
    until(lambda: len(listener.of("forecast")) == 2, "a good one")

    shown = [each["forecast"]["reserve_kj"] for each in listener.of("forecast")]
    assert shown == [None, 900.0]
    assert len(listener.of("present")) == 1
    listener.close()


def test_ten_megabytes_never_reach_the_lookout(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """The broker keeps what is larger than was agreed to itself; the connection stays."""
    shed = Shed(tmp_path, broker.port, "commands = true")
    begun(shed.publisher())(shed.snapshot())
    listener = Listener(broker.port, "coldpin/c/0123abcd/answer")
    watcher = Listener(broker.port, "coldpin/c/0123abcd/present")
    until(lambda: bool(watcher.of("present")), "there")
    asked(listener, b"x" * 10_000_000)
    asked(listener, {"id": "1", "what": "resume"})
    until(lambda: bool(listener.of("answer")), "the answer to the next one")

    assert [each["id"] for each in listener.of("answer")] == ["1"]
    assert [each["present"] for each in watcher.of("present")] == [True]
    listener.close()
    watcher.close()


def test_a_request_that_the_broker_kept_is_refused(
    tmp_path: Path, broker: RealBroker, begun: Begin
) -> None:
    """Nobody knows how old it is."""
    listener = Listener(broker.port)
    listener.client.publish(
        "coldpin/c/0123abcd/ask", json.dumps({"id": "old", "what": "reset"}), qos=1, retain=True
    ).wait_for_publish(10)
    shed = Shed(tmp_path, broker.port, "commands = true")
    begun(shed.publisher())(shed.snapshot())
    until(lambda: bool(listener.of("answer")), "an answer")

    assert listener.of("answer")[0]["accepted"] is False
    assert not (tmp_path / REQUESTS).exists() or unanswered(tmp_path / REQUESTS, most=50) == []
    listener.close()


def password_broker(folder: Path) -> RealBroker:
    """Return a broker that wants a password."""
    demand("mosquitto_passwd")
    passwords = folder / "passwords"
    subprocess.run(
        [program("mosquitto_passwd") or "", "-b", "-c", str(passwords), "shed", "right"],
        check=True,
        capture_output=True,
    )
    return RealBroker(folder, f"allow_anonymous false\npassword_file {passwords}")


def test_a_refused_password_is_reported_once_and_never_shown(tmp_path: Path, begun: Begin) -> None:
    """Tried again and again, logged once; with the right one it is told that it is over."""
    broker = password_broker(tmp_path)
    secret = tmp_path / "secret"
    secret.write_text("wrong-and-secret\n", encoding="utf-8")
    secret.chmod(0o600)
    shed = Shed(tmp_path, broker.port, 'user = "shed"\npassword_file = "secret"')
    tries: list[float] = []
    publisher = shed.publisher()
    publisher._draw = lambda: tries.append(0.0) or 0.0  # type: ignore[func-returns-value]
    with capture_logs() as logs:
        begun(publisher)(shed.snapshot())
        until(lambda: len(tries) >= 4, "several tries")
    logged = [log for log in logs if log["event"] == "mqtt"]
    assert len(logged) == 1
    assert "refused" in logged[0]["problem"]
    assert "secret" not in json.dumps(logs)

    secret.write_text("right\n", encoding="utf-8")
    again = shed.publisher()
    begun(again)(shed.snapshot())
    listener = Listener(broker.port, user="shed", password="right")
    until(lambda: bool(listener.of("state")), "told with the right password")
    listener.close()
    broker.stop()


def certificates(folder: Path, name: str) -> None:
    """Make an authority and a certificate for this machine, by openssl."""
    demand("openssl")

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], check=True, capture_output=True, cwd=folder)

    openssl(
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-days",
        "2",
        "-subj",
        f"/CN={name}",
        "-keyout",
        f"{name}-ca.key",
        "-out",
        f"{name}-ca.pem",
    )
    openssl(
        "req",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-subj",
        "/CN=127.0.0.1",
        "-keyout",
        f"{name}.key",
        "-out",
        f"{name}.csr",
    )
    (folder / f"{name}.ext").write_text("subjectAltName=IP:127.0.0.1\n", encoding="utf-8")
    openssl("x509", "-req", "-in", f"{name}.csr", "-CA", f"{name}-ca.pem", "-CAkey",
            f"{name}-ca.key", "-CAcreateserial", "-days", "2", "-extfile", f"{name}.ext",
            "-out", f"{name}.pem")  # fmt: skip


# where a handshake fails, the library leaves its socket to be closed by who collects it
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_broker_must_prove_itself_over_tls(tmp_path: Path, begun: Begin) -> None:
    """With the right authority it is told; with another it is refused, and said once."""
    for name in ("ours", "other"):
        certificates(tmp_path, name)
    broker = RealBroker(
        tmp_path,
        f"allow_anonymous true\ncertfile {tmp_path}/ours.pem\nkeyfile {tmp_path}/ours.key",
    )
    wrong = Shed(tmp_path, broker.port, 'tls = true\nca_file = "other-ca.pem"').publisher()
    tries: list[float] = []
    wrong._draw = lambda: tries.append(0.0) or 0.0  # type: ignore[func-returns-value]
    with capture_logs() as logs:
        begun(wrong)
        until(lambda: len(tries) >= 3, "several tries")
        wrong.close()
    logged = [log for log in logs if log["event"] == "mqtt"]
    assert len(logged) == 1
    assert "certificate" in logged[0]["problem"].lower()

    right = Shed(tmp_path, broker.port, 'tls = true\nca_file = "ours-ca.pem"')
    publisher = begun(right.publisher())
    publisher(right.snapshot())
    until(lambda: publisher._up, "connected over TLS")
    broker.stop()


def test_a_connection_that_drops_all_the_time_is_reported_once(
    tmp_path: Path, begun: Begin
) -> None:
    """Something listens and hangs up; nothing is flooded, and it is tried again."""
    dropped: list[int] = []
    server = socket.create_server(("127.0.0.1", 0))

    def hang_up() -> None:
        while True:
            try:
                accepted_socket, _ = server.accept()
            except OSError:
                return
            dropped.append(1)
            accepted_socket.close()

    threading.Thread(target=hang_up, daemon=True).start()
    shed = Shed(tmp_path, server.getsockname()[1])
    with capture_logs() as logs:
        begun(shed.publisher())(shed.snapshot())
        until(lambda: len(dropped) >= 4, "several connections")
    server.close()

    assert len([log for log in logs if log["event"] == "mqtt"]) == 1


def test_pauses_grow_and_are_never_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """From a second to five minutes, drawn from the upper half."""
    monkeypatch.undo()
    assert pause_after(1, share=1.0) == 1.0
    assert pause_after(4, share=0.0) == 4.0
    assert pause_after(50, share=1.0) == 300.0
    assert pause_after(50, share=0.5) == 225.0


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ('password_file = "nowhere"', "cannot be read"),
        ('tls = true\nca_file = "nowhere.pem"', "no certificates"),
        ('tls = true\nca_file = "c.toml"', "no certificates"),
    ],
)
def test_what_cannot_be_used_is_reported_at_the_start(tmp_path: Path, more: str, says: str) -> None:
    """By file, before anything is connected."""
    settings = settings_with(tmp_path, f'[mqtt]\nhost = "broker"\n{more}')
    with pytest.raises(SettingsError, match=says):
        broker_of(settings, tmp_path)


def test_a_password_that_others_can_read_is_refused(tmp_path: Path) -> None:
    """As the addresses of notices are."""
    (tmp_path / "secret").write_text("x", encoding="utf-8")
    (tmp_path / "secret").chmod(0o644)
    settings = settings_with(tmp_path, '[mqtt]\nhost = "broker"\npassword_file = "secret"')
    with pytest.raises(SettingsError, match="chmod"):
        broker_of(settings, tmp_path)


@pytest.mark.parametrize("topic", ["a/+/b", "#", "/a", "$SYS"])
def test_a_topic_that_no_broker_takes_is_refused(tmp_path: Path, topic: str) -> None:
    """Wildcards and the broker's own tree."""
    with pytest.raises(SettingsError, match="topic"):
        settings_with(tmp_path, f'[mqtt]\ntopic = "{topic}"')
