"""The page: the right words first, nobody acts without the secret, old numbers never look fresh."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2
import pytest
from starlette.testclient import TestClient

from controller.domain.alarm_guide import guide_of
from controller.domain.control_phase import Reason
from controller.domain.places import SECRET_FILE
from controller.domain.published_forecast import PublishedForecast
from controller.domain.requests import (
    Acknowledge,
    FrozenThrough,
    LogSwap,
    Pause,
    Payload,
    RequestKind,
    Reset,
    Resume,
    SetStage,
)
from controller.domain.status import TimersLeft
from controller.lookout.chambers import PAGE
from controller.lookout.page.access import Access, new_secret
from controller.lookout.page.app import PageContext, cookie_names, page_app
from controller.lookout.page.guard import MOST_BODY
from controller.lookout.page.throttle import FREE_TRIES
from controller.records.boot import boottime
from controller.records.requests_file import (
    REQUESTS,
    answer_all,
    ask,
    asked_since,
    newest,
    swaps,
    unanswered,
)
from controller.records.snapshot import take_snapshot
from tests.lookout.houses import alarm, forecast, probes, put_status, settings_with, status
from tests.support.waiting import AT_MOST_S

OURS = "http://localhost"


class Hand:
    """A browser in somebody's hand."""

    def __init__(self, place: Path, more: str = "", plan: PublishedForecast | None = None) -> None:
        self.place = place
        self.now_s = 1000.0
        self.access = Access(place, clock=lambda: self.now_s)
        self.app = page_app(
            PageContext(
                settings=settings_with(place, more),
                place=place,
                snapshot=lambda: take_snapshot(place, at_utc=datetime.now(UTC), forecast=plan),
                access=self.access,
            )
        )
        self.session_cookie, self.visit_cookie = cookie_names(place.name)
        self.client = self.another()

    def another(self, address: str = "192.0.2.1") -> TestClient:
        return TestClient(
            self.app,
            base_url=OURS,
            follow_redirects=False,
            raise_server_exceptions=False,
            client=(address, 50_000),
        )

    def enter(self, who: str = "") -> str:
        """Enter with a new secret and return the token that forms carry."""
        answer = self.client.post("/sign-in", data={"password": new_secret(self.place), "who": who})
        assert answer.status_code == 303
        token = self.access.token(self.client.cookies.get(self.session_cookie))
        assert token is not None
        return token


@pytest.fixture
def hand(tmp_path: Path) -> Hand:
    put_status(tmp_path, status())
    return Hand(tmp_path)


def test_the_first_answer_has_every_number(tmp_path: Path) -> None:
    """Before any script: how it is, what to do by when, the readings, the plan, the picture."""
    put_status(tmp_path, status())
    now = datetime.now(UTC)
    early = now + timedelta(hours=3)
    known = forecast(early, as_of=now, swapped=early - timedelta(hours=9))
    hand = Hand(tmp_path, plan=known)

    text = plain(hand.client.get("/").text)

    assert "In band: air 16.2 °C (band 15.5 to 17.0 °C)." in text
    assert "Change 4 packs by " in text
    assert "The cold should last until " in text
    assert "About 60 % of this set's cold is left, some 4 hours." in text
    assert "4.4 °C" in text
    assert "<svg" in text
    assert "kJ" not in text


def plain(text: str) -> str:
    """Return a page's text with ordinary spaces and apostrophes."""
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("&#39;", "'")


def test_live_updates_say_what_the_page_says(hand: Hand) -> None:
    """The same text, so that a page that is kept open cannot disagree with a fresh one."""
    live = hand.client.get("/now")

    assert live.text in hand.client.get("/").text
    assert live.headers["x-state"] == "in-band"


@pytest.mark.parametrize(
    ("changes", "words", "state"),
    [
        (None, "No data: coldpin is not running on this machine.", "no-data"),
        ({"old_s": 400.0}, "No data for 6 min 4", "no-data"),
        ({"boot_id": "another"}, "No data since ", "no-data"),
        (
            {"alarms": [alarm("air_high")], "probes": probes(21.2)},
            "Air too warm: 21.2 °C (limit 19.0 °C).",
            "alarm",
        ),
        ({"probes": probes(17.6), "pump": True}, "Cooling: air 17.6 °C, above", "cooling"),
        ({"probes": probes(17.6)}, "Air 17.6 °C, above its band", "out-of-band"),
        (
            {"probes": probes(None), "reason": Reason.FIRST_READINGS.value},
            "Waiting for the first readings.",
            "starting",
        ),
        ({"timers_left": TimersLeft(pause_s=600.0)}, "Paused until ", "paused"),
        ({"phase": "lockout"}, "Cooling is locked out.", "locked-out"),
    ],
    ids=[
        "never",
        "old",
        "another-boot",
        "alarm",
        "cooling",
        "above",
        "starting",
        "paused",
        "locked",
    ],
)
def test_each_state_has_its_own_words_and_look(
    tmp_path: Path, changes: dict[str, Any] | None, words: str, state: str
) -> None:
    """Whatever is wrong is said first and loudly."""
    if changes is not None:
        old_s = changes.get("old_s", 0.0)
        changed = {name: value for name, value in changes.items() if name != "old_s"}
        put_status(tmp_path, status(**{"boottime_s": boottime() - old_s, **changed}))

    text = plain(Hand(tmp_path).client.get("/").text)

    assert f'class="headline {state}" id="headline" role="status">{words}' in text
    assert f'<body data-state="{state}">' in text


def test_an_alarm_has_its_response_on_the_page(tmp_path: Path) -> None:
    """What it means, causes, what to do, what happens else, how long there is; and its button."""
    put_status(tmp_path, status(alarms=[alarm("air_high")], probes=probes(21.2, 13.0)))
    hand = Hand(tmp_path)
    guide = guide_of("air_high")

    before = plain(hand.client.get("/").text)
    hand.enter()
    after = hand.client.get("/").text

    for sentence in (guide.action, guide.meaning, *guide.causes, *guide.steps, guide.time):
        assert sentence in before
    assert "/do/ack" not in before
    assert '<a class="button" href="/do/ack">Mark alarms as seen</a>' in after


def test_buttons_that_make_no_sense_now_are_not_there(hand: Hand) -> None:
    """No end of a pause without a pause, no end of a lockout without one."""
    hand.enter()
    well = hand.client.get("/now").text
    put_status(hand.place, status(phase="lockout", timers_left=TimersLeft(pause_s=60.0)))
    locked = hand.client.get("/now").text

    assert [each for each in ("ack", "resume", "reset", "pause") if f"/do/{each}" in well] == [
        "pause"
    ]
    assert [each for each in ("ack", "resume", "reset", "pause") if f"/do/{each}" in locked] == [
        "resume",
        "reset",
    ]


def test_fahrenheit_where_asked_for(tmp_path: Path) -> None:
    """One setting, everywhere."""
    put_status(tmp_path, status())

    text = Hand(tmp_path, '[display]\nunit = "F"').client.get("/").text

    assert "61.2 °F" in plain(text)
    assert "°C" not in text


def logged(hand: Hand, token: str, **fields: str) -> str:
    """Log a pack change and return where the answer is."""
    done = hand.client.post("/do/swap", data={"packs": "4", "token": token, **fields})
    assert done.status_code == 303, done.text
    return str(done.headers["location"])


def test_the_answer_arrives_and_can_be_undone(hand: Hand) -> None:
    """Asked for, logged, taken back: the record keeps both, and it no longer counts."""
    token = hand.enter(who="Tove")
    where = logged(hand, token)
    number = int(where.partition("=")[2])

    waiting = plain(hand.client.get(where).text)
    answer_all(hand.place / REQUESTS, [(number, "noted")], utc_ms=0)
    done = plain(hand.client.get(where).text)
    undone = hand.client.post("/do/undo", data={"id": str(number), "token": token})

    assert "Waiting for coldpin to take it" in waiting
    assert "Logged: 4 packs at " in done
    assert f'<a href="/do/undo?id={number}">Undo</a>' in done
    assert undone.status_code == 303
    assert swaps(hand.place / REQUESTS) == []
    kinds = [
        each.kind for each in asked_since(hand.place / REQUESTS, datetime(2000, 1, 1, tzinfo=UTC))
    ]
    assert kinds == [RequestKind.SWAP, RequestKind.WITHDRAW]


def test_a_change_can_be_corrected(hand: Hand) -> None:
    """The right one takes the place of the wrong one."""
    token = hand.enter()
    number = logged(hand, token).partition("=")[2]

    (before,) = swaps(hand.place / REQUESTS)

    logged(hand, token, packs="3", instead_of=number)

    (swap,) = swaps(hand.place / REQUESTS)
    assert (swap.packs, swap.at) == (3, before.at), "only the number of packs was wrong"


def test_a_correction_begins_with_what_was_logged(hand: Hand) -> None:
    """Whoever corrects the time alone changes nothing else; which change it is stands above."""
    token = hand.enter(who="Tove")
    number = logged(hand, token, packs="3", through="no").partition("=")[2]

    text = hand.client.get(f"/?correct={number}").text

    form = text.partition('<h2 id="log">Correct the pack change</h2>')[2].partition("</form>")[0]
    assert f'name="instead_of" value="{number}"' in form
    assert "3 packs, " in form.partition("<form")[0]
    assert 'name="packs" type="number" min="1" max="12" value="3"' in form
    assert '<option value="no" selected>no</option>' in form
    assert form.count("selected") == 1


def test_a_change_is_corrected_or_taken_back_once(hand: Hand) -> None:
    """Two people correct the same one from pages that are both open: it counts once."""
    token = hand.enter()
    number = logged(hand, token).partition("=")[2]
    logged(hand, token, packs="3", instead_of=number)

    second = hand.client.post("/do/swap", data={"token": token, "packs": "2", "instead_of": number})
    undone = hand.client.post("/do/undo", data={"token": token, "id": number})

    assert (second.status_code, undone.status_code) == (400, 400)
    assert "corrected or taken back already" in second.text
    assert [swap.packs for swap in swaps(hand.place / REQUESTS)] == [3]
    assert "Correct the pack change" not in hand.client.get(f"/?correct={number}").text


def test_a_form_that_is_sent_twice_acts_once(hand: Hand) -> None:
    """A thumb presses twice; the same answer comes."""
    token = hand.enter()

    first = logged(hand, token, key="once")
    second = logged(hand, token, key="once")

    assert first == second
    assert len(swaps(hand.place / REQUESTS)) == 1


def test_a_second_press_while_the_first_is_written_acts_once(
    hand: Hand, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card takes its time, and a thumb does not wait for it."""
    token, written = hand.enter(), threading.Event()

    def slow(*arguments: Any, **named: Any) -> int:
        assert written.wait(AT_MOST_S)
        return ask(*arguments, **named)

    monkeypatch.setattr("controller.lookout.page.app.ask", slow)

    async def pressed_twice() -> list[httpx2.Response]:
        async with httpx2.AsyncClient(
            transport=httpx2.ASGITransport(hand.app),
            base_url=OURS,
            cookies=dict(hand.client.cookies),
        ) as client:
            form = {"token": token, "key": "once", "packs": "4"}
            presses = [asyncio.ensure_future(client.post("/do/swap", data=form)) for _ in range(2)]
            for _ in range(1000):  # both come as far as they can
                await asyncio.sleep(0)
            written.set()
            return await asyncio.gather(*presses)

    first, second = asyncio.run(pressed_twice())

    assert first.status_code == 303
    assert first.headers["location"] == second.headers["location"]
    assert len(swaps(hand.place / REQUESTS)) == 1


def test_a_second_reset_learns_who_was_first(hand: Hand) -> None:
    """Two phones, one lockout."""
    token = hand.enter(who="Tove")
    done = hand.client.post("/do/reset", data={"token": token})
    number = int(done.headers["location"].partition("=")[2])
    answer_all(hand.place / REQUESTS, [(number, "done")], utc_ms=0)

    again = hand.client.post("/do/reset", data={"token": token})

    assert again.status_code == 409
    assert "That was done already, by Tove at " in again.text


@pytest.mark.parametrize("text", ["refused: a later pause", "nothing to do: no pause was running"])
def test_what_was_not_done_may_be_asked_for_again(hand: Hand, text: str) -> None:
    token = hand.enter(who="Tove")
    asked = hand.client.post("/do/resume", data={"token": token})
    number = int(asked.headers["location"].partition("=")[2])
    answer_all(hand.place / REQUESTS, [(number, text)], utc_ms=0)

    again = hand.client.post("/do/resume", data={"token": token})

    assert again.status_code == 303


def test_ending_somebody_elses_pause_asks_first(hand: Hand) -> None:
    """Hands may still be in the chamber."""
    ask(hand.place / REQUESTS, Pause(for_s=900.0), who="Ann")
    hand.enter(who="Tove")

    question = hand.client.get("/do/resume").text

    assert "Ann paused it: are their hands out of the chamber?" in question


def test_a_change_that_another_just_logged_is_pointed_out(hand: Hand) -> None:
    """Logged twice, it counts twice."""
    ask(hand.place / REQUESTS, LogSwap(packs=4, at=datetime.now(UTC)), who="Ann")
    hand.enter(who="Tove")

    question = plain(hand.client.get("/do/swap?packs=4").text)
    (swap,) = swaps(hand.place / REQUESTS)

    assert "Ann logged 4 packs at " in question
    assert f'<button autofocus name="instead_of" value="{swap.request}">' in question
    assert "Another change: log it too" in question


def test_logged_changes_can_be_corrected_or_taken_back_however_old(hand: Hand) -> None:
    """Not the last one only."""
    token = hand.enter()
    numbers = [logged(hand, token, packs=str(packs)).partition("=")[2] for packs in (2, 3)]

    text = hand.client.get("/").text

    for number in numbers:
        assert f'<a href="/?correct={number}#log">Correct</a>' in text
        assert f'<a href="/do/undo?id={number}">Take back</a>' in text


def test_a_home_screen_knows_the_chamber(hand: Hand) -> None:
    """Name and icon; both are served."""
    manifest = hand.client.get("/app.webmanifest").json()

    assert manifest["name"] == "hall shelf"
    (icon,) = manifest["icons"]
    assert hand.client.get(icon["src"]).headers["content-type"].startswith("image/svg+xml")


def test_the_first_view_is_small(tmp_path: Path) -> None:
    """60 kB with style and script: a phone at the edge of the wireless."""
    put_status(tmp_path, status())
    hand = Hand(tmp_path)

    bytes_ = [len(hand.client.get(path).content) for path in ("/", "/page.css", "/page.js")]

    assert sum(bytes_) < 60_000


def test_a_swap_is_noted_after_it_was_confirmed(hand: Hand) -> None:
    """The question first, then the request, with what the person said of the packs."""
    token = hand.enter(who=" Tove\n")

    question = hand.client.get("/do/swap", params={"packs": "3", "through": "no"})
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', question.text))
    done = hand.client.post("/do/swap", data=fields)

    assert "Log the change of 3 packs" in plain(question.text)
    assert fields["token"] == token
    assert done.status_code == 303
    request = newest(hand.place / REQUESTS, RequestKind.SWAP)
    assert request is not None
    assert request.who == "Tove"
    assert isinstance(request.payload, LogSwap)
    assert (request.payload.packs, request.payload.frozen_through) == (3, FrozenThrough.NO)


@pytest.mark.parametrize(
    ("what", "form", "payload"),
    [
        ("stage", {"name": "pinning"}, SetStage(name="pinning", instead_of="fruiting")),
        ("pause", {"minutes": "15"}, Pause(for_s=900.0)),
        ("resume", {}, Resume()),
        ("ack", {"alarm": "air_high"}, Acknowledge(alarm="air_high")),
        ("reset", {}, Reset()),
    ],
)
def test_what_can_be_done(hand: Hand, what: str, form: dict[str, str], payload: Payload) -> None:
    """Each becomes one request."""
    token = hand.enter()

    assert hand.client.post(f"/do/{what}", data={**form, "token": token}).status_code == 303

    (request,) = unanswered(hand.place / REQUESTS, most=100)
    assert (request.kind.value, request.payload) == (what, payload)


@pytest.mark.parametrize(
    ("what", "form", "says"),
    [
        ("swap", {"packs": "0"}, "allowed: 1 to 12"),
        ("swap", {"packs": "four"}, "'four'"),
        ("swap", {"packs": "500"}, "allowed: 1 to 12"),
        ("swap", {"packs": "4", "at": "2020-01-01T00:00"}, "within the last two days"),
        ("swap", {"packs": "4", "at": "soon"}, "a date with a time"),
        ("swap", {"packs": "4", "through": "perhaps"}, "yes, no, unknown"),
        ("stage", {"name": "<script>"}, "fruiting, pinning"),
        ("pause", {"minutes": "9999"}, "5, 15, 30, 60"),
        ("ack", {"alarm": "no_such"}, "which is no alarm"),
        ("explode", {}, "cannot be done from here"),
    ],
)
def test_what_cannot_be_done_says_what_can(
    hand: Hand, what: str, form: dict[str, str], says: str
) -> None:
    """A plain message, no trace, no request."""
    token = hand.enter()

    answer = hand.client.post(f"/do/{what}", data={**form, "token": token})

    assert answer.status_code == 400
    assert says in answer.text
    assert answer.headers["content-type"].startswith("text/plain")
    assert not (hand.place / REQUESTS).exists()


def refused_without_session(hand: Hand) -> int:
    return int(hand.client.post("/do/reset", data={"token": "x"}).status_code)


def refused_with_wrong_token(hand: Hand) -> int:
    hand.enter()
    return int(hand.client.post("/do/reset", data={"token": "x"}).status_code)


def refused_without_token(hand: Hand) -> int:
    hand.enter()
    return int(hand.client.post("/do/reset").status_code)


def refused_with_a_token_of_another(hand: Hand) -> int:
    token = hand.enter()
    other = hand.another()
    other.post("/sign-in", data={"password": new_secret(hand.place)})
    return int(other.post("/do/reset", data={"token": token}).status_code)


def refused_from_another_site(hand: Hand) -> int:
    token = hand.enter()
    return int(
        hand.client.post(
            "/do/reset", data={"token": token}, headers={"origin": "http://evil.example"}
        ).status_code
    )


def refused_after_leaving(hand: Hand) -> int:
    token = hand.enter()
    hand.client.post("/sign-out", data={"token": token})
    return int(hand.client.post("/do/reset", data={"token": token}).status_code)


def refused_after_a_month(hand: Hand) -> int:
    token = hand.enter()
    hand.now_s += 31 * 86_400.0
    return int(hand.client.post("/do/reset", data={"token": token}).status_code)


@pytest.mark.parametrize(
    "attempt",
    [
        refused_without_session,
        refused_with_wrong_token,
        refused_without_token,
        refused_with_a_token_of_another,
        refused_from_another_site,
        refused_after_leaving,
        refused_after_a_month,
    ],
)
def test_nobody_acts_without_having_entered(hand: Hand, attempt: Callable[[Hand], int]) -> None:
    """Refused, and nothing is written."""
    assert attempt(hand) == 403
    assert not (hand.place / REQUESTS).exists()


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "", "192.168.1.9"])
def test_a_foreign_name_is_refused(hand: Hand, host: str) -> None:
    """A page that makes a browser come here by a name of its own gets nothing."""
    answer = hand.client.get("/", headers={"host": host})

    assert answer.status_code == 421
    assert "16.2" not in answer.text


@pytest.mark.parametrize("host", ["localhost:8427", "127.0.0.1", "[::1]:8427", "Loft.Local"])
def test_our_own_names_are_taken(tmp_path: Path, host: str) -> None:
    """With and without a port, however written."""
    put_status(tmp_path, status())
    hand = Hand(tmp_path, '[lookout]\nnames = ["loft.local"]')

    assert hand.client.get("/", headers={"host": host}).status_code == 200


def test_wrong_tries_are_slowed_down(hand: Hand) -> None:
    """After a few, even the right secret has to wait; then it is taken."""
    secret = new_secret(hand.place)
    statuses = [
        hand.client.post("/sign-in", data={"password": "guess"}).status_code
        for _ in range(FREE_TRIES)
    ]
    early = hand.client.post("/sign-in", data={"password": secret})

    assert statuses == [403] * FREE_TRIES
    assert early.status_code == 429
    assert int(early.headers["retry-after"]) >= 1
    hand.now_s += 3.0
    assert hand.client.post("/sign-in", data={"password": secret}).status_code == 303


def test_one_wrong_guesser_keeps_nobody_else_out(hand: Hand) -> None:
    """The right password from another address is accepted at once, whatever somebody guesses."""
    secret = new_secret(hand.place)
    guesser, grower = hand.another("192.0.2.66"), hand.another("192.0.2.1")
    statuses = [
        guesser.post("/sign-in", data={"password": "guess"}).status_code
        for _ in range(FREE_TRIES + 1)
    ]

    assert statuses[-1] == 429
    assert grower.post("/sign-in", data={"password": secret}).status_code == 303


def test_two_chambers_of_one_machine_keep_their_cookies_apart(tmp_path: Path) -> None:
    """Cookies know no port: signing in to one must not sign out of the other, nor share visits."""
    hands = []
    for name in ("loft", "cellar"):
        place = tmp_path / name
        place.mkdir()
        put_status(place, status())
        hands.append(Hand(place))
    loft, cellar = hands
    loft.enter()
    loft.client.get("/")
    cellar.client.cookies.update(loft.client.cookies)  # one browser
    cellar.enter()
    cellar.client.get("/")
    loft.client.cookies.update(cellar.client.cookies)

    names = {name for hand in hands for name in (hand.session_cookie, hand.visit_cookie)}
    assert set(loft.client.cookies) == names
    assert len(names) == 4
    assert all(hand.access.token(loft.client.cookies[hand.session_cookie]) for hand in hands)


def test_waits_grow(hand: Hand) -> None:
    """Each further try doubles the wait, up to a quarter of an hour."""
    new_secret(hand.place)
    waits = []
    for _ in range(15):
        hand.access.enter("guess")
        waits.append(hand.access.wait_s())
        hand.now_s += waits[-1]

    assert waits[FREE_TRIES - 1 : FREE_TRIES + 3] == [2.0, 4.0, 8.0, 16.0]
    assert waits[-1] == 900.0


def test_the_secret_is_kept_hashed_and_private(tmp_path: Path) -> None:
    """Mode 0600, and the secret itself is nowhere in it."""
    secret = new_secret(tmp_path)

    path = tmp_path / SECRET_FILE
    assert path.stat().st_mode & 0o777 == 0o600
    assert secret not in path.read_text(encoding="ascii")
    assert Access(tmp_path, clock=lambda: 0.0).enter(secret) is not None


@pytest.mark.parametrize("content", ["", "{}", '{"salt": 3}', "\x00"])
def test_a_damaged_secret_lets_nobody_in(tmp_path: Path, content: str) -> None:
    """Not even with an empty one."""
    (tmp_path / SECRET_FILE).write_text(content, encoding="ascii")

    assert Access(tmp_path, clock=lambda: 0.0).enter("") is None


def test_a_large_body_is_refused(hand: Hand) -> None:
    """So is one that does not say its length; the longest that is allowed is read."""
    most = "secret=" + "x" * (MOST_BODY - len("secret="))

    assert hand.client.post("/sign-in", content=most).status_code == 403
    assert hand.client.post("/sign-in", content=most + "x").status_code == 413
    assert hand.client.post("/sign-in", content=iter([most.encode()])).status_code == 411


@pytest.mark.parametrize(
    "path",
    [
        "/../../etc/passwd",
        "/page.css/../../access.py",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/files/front.html",
    ],
)
def test_no_way_leads_to_other_files(hand: Hand, path: str) -> None:
    """There is no folder to walk in."""
    assert hand.client.get(path).status_code == 404


def test_every_answer_has_the_strict_headers(hand: Hand) -> None:
    """Refusals too: no inline script, no frame, nothing kept."""
    for answer in (
        hand.client.get("/"),
        hand.client.get("/nowhere"),
        hand.client.get("/", headers={"host": "evil.example"}),
        hand.client.post("/do/reset"),
    ):
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_cookies_are_for_this_site_and_no_script(hand: Hand) -> None:
    """HttpOnly and SameSite on each."""
    answer = hand.client.post("/sign-in", data={"password": new_secret(hand.place)})

    for cookie in (answer.headers["set-cookie"], hand.client.get("/").headers["set-cookie"]):
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie


def test_a_fault_of_ours_shows_no_trace(hand: Hand, monkeypatch: pytest.MonkeyPatch) -> None:
    """The browser learns that something went wrong, and nothing else."""

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("the innermost")

    monkeypatch.setattr("controller.lookout.page.app.front_of", broken)
    answer = hand.client.get("/")

    assert answer.status_code == 500
    assert "innermost" not in answer.text
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("path", ["/", "/now", "/picture"])
def test_looking_can_be_closed(tmp_path: Path, path: str) -> None:
    """Then it needs the secret too."""
    put_status(tmp_path, status())
    hand = Hand(tmp_path, '[lookout]\nreading = "closed"')

    refused = hand.client.get(path)
    hand.enter()

    assert refused.status_code == 401
    assert "16.2" not in refused.text
    assert hand.client.get(path).status_code == 200


def test_the_page_looks_without_records_and_without_writing(hand: Hand) -> None:
    """A first day, or a damaged file: the numbers come from the status alone."""
    (hand.place / "records.sqlite").write_bytes(b"not a database" * 100)
    before = sorted(hand.place.iterdir())

    assert hand.client.get("/").status_code == 200
    assert "<svg" in hand.client.get("/picture").text
    assert sorted(hand.place.iterdir()) == before


@pytest.mark.parametrize(
    "cookie",
    ["-1", "99999999999999", "999999999999", "abc", "0", "1e9", "1.2.3", "9999999999.9999999999"],
)
def test_a_strange_memory_of_the_last_look_is_a_day(hand: Hand, cookie: str) -> None:
    """What a browser sends is not believed."""
    hand.client.cookies.set(hand.visit_cookie, cookie)

    assert hand.client.get("/").status_code == 200


@pytest.mark.parametrize(
    ("path", "status_code"),
    [("/do/swap?packs=0", 400), ("/nowhere", 404), ("/picture?since=x&until=y", 400)],
)
def test_a_person_who_is_refused_finds_the_way_back(
    hand: Hand, path: str, status_code: int
) -> None:
    """A page for a browser, a line for a program."""
    hand.enter()

    page = hand.client.get(path, headers={"accept": "text/html,*/*"})
    line = hand.client.get(path)

    assert page.status_code == line.status_code == status_code
    assert 'href="/">Back' in page.text
    assert "<" not in line.text


def test_what_a_stranger_asks_for_is_not_looked_at(tmp_path: Path) -> None:
    """Where looking is closed, a wrong stage must not bring up the names of the right ones."""
    put_status(tmp_path, status())
    hand = Hand(tmp_path, '[lookout]\nreading = "closed"')

    answer = hand.client.get("/do/stage?name=x")

    assert answer.status_code == 401
    assert "pinning" not in answer.text


def test_silence_leaves_no_number_looking_fresh(tmp_path: Path) -> None:
    """Each part says of when it is, in the first answer and without any script."""
    put_status(tmp_path, status(boottime_s=boottime() - 400.0))
    early = datetime.now(UTC) + timedelta(hours=3)
    hand = Hand(tmp_path, plan=forecast(early, swapped=early - timedelta(hours=9)))

    text = hand.client.get("/").text

    assert 'data-state="no-data"' in text
    assert "<title>! " in text
    assert "Last known, at " in text
    assert "Without scripts this page stays as it was at" in text


def test_what_was_asked_for_is_reported_since_the_last_visit(hand: Hand) -> None:
    """At the first visit there is no last one."""
    token = hand.enter(who="Tove")
    first = hand.client.get("/").text
    hand.client.post("/do/pause", data={"token": token, "minutes": "15"})

    second = hand.client.get("/").text

    assert "Since your last visit" not in first
    assert "Since your last visit" in second
    assert "Tove paused for 15 min (not answered yet)" in plain(second)


def test_page_and_shell_at_the_same_time_are_both_kept_once(hand: Hand) -> None:
    """Two people note swaps at the same moment, each ten times: twenty rows."""
    token = hand.enter()
    path = hand.place / REQUESTS
    begin = threading.Barrier(2)

    def by_page() -> None:
        begin.wait()
        for _ in range(10):
            form = {"packs": "4", "token": token}
            assert hand.client.post("/do/swap", data=form).status_code == 303

    def by_shell() -> None:
        begin.wait()
        for packs in range(101, 111):
            ask(path, LogSwap(packs=packs, at=datetime.now(UTC)), who="tove")

    threads = [threading.Thread(target=each) for each in (by_page, by_shell)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    logged = [request.payload for request in unanswered(path, most=100)]
    packs = sorted(each.packs for each in logged if isinstance(each, LogSwap))
    assert packs == [*([4] * 10), *range(101, 111)]


def test_the_list_of_chambers_names_each_with_the_reason(tmp_path: Path) -> None:
    """Those of this machine; a page of one of them is linked by its port, on this host's name."""
    place = tmp_path / "shelf"
    place.mkdir()
    put_status(place, status())
    (place / PAGE).write_text('{"port": 8431}', encoding="utf-8")
    (tmp_path / "loft").mkdir()
    put_status(tmp_path / "loft", status(chamber="<b>loft</b>", boottime_s=1.0))

    answer = Hand(place, "[lookout]\nfreezer_packs_per_day = 12").client.get("/chambers")

    assert answer.status_code == 200
    assert answer.text.index("&lt;b&gt;loft") < answer.text.index("hall shelf")
    assert 'href="http://localhost:8431/"' in answer.text
    assert "How many packs &lt;b&gt;loft&lt;/b&gt; and hall shelf need within 24" in answer.text


def test_the_list_of_chambers_is_closed_where_looking_is(tmp_path: Path) -> None:
    """It tells as much as the page."""
    put_status(tmp_path, status())
    hand = Hand(tmp_path, '[lookout]\nreading = "closed"')

    assert hand.client.get("/chambers").status_code == 401
