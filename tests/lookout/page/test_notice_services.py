"""Notices on the page: how each service does, and a test message for who is signed in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from controller.lookout.notices import due
from controller.lookout.notices.alarms_due import ALARMS_PART
from controller.lookout.notices.services import Service, ServiceHealth
from controller.lookout.page.access import Access, new_secret
from controller.lookout.page.app import PageContext, cookie_names, page_app
from controller.lookout.page.notice_services import service_rows
from controller.records.snapshot import take_snapshot
from tests.lookout.houses import alarm, put_status, settings_with, status

NOW = datetime(2026, 7, 14, 14, 0, tzinfo=UTC)


class FakeNotices:
    """Two services, one of which fails."""

    def __init__(self) -> None:
        self.tests = 0

    def health(self) -> Sequence[ServiceHealth]:
        return [health(1, accepted=NOW - timedelta(minutes=5)), health(2, failing=NOW, waiting=3)]

    def send_test(self) -> Sequence[tuple[Service, bool]]:
        self.tests += 1
        first, second = (Service(number=n, kind="fake", deliver=lambda _: False) for n in (1, 2))
        return [(first, True), (second, False)]


def health(
    number: int,
    *,
    accepted: datetime | None = None,
    failing: datetime | None = None,
    waiting: int = 0,
) -> ServiceHealth:
    return ServiceHealth(
        number=number, kind="fake", accepted_at=accepted, failing_since=failing, waiting=waiting
    )


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (health(1, accepted=NOW), "Works: last notice 14:00."),
        (health(1), "No notice sent since the page started."),
        (
            health(1, accepted=NOW, failing=NOW - timedelta(hours=1), waiting=2),
            "Not working since 13:00. Tried again by itself. 2 waiting.",
        ),
    ],
)
def test_each_service_says_how_it_does(one: ServiceHealth, words: str) -> None:
    """The last try decides."""

    class One(FakeNotices):
        def health(self) -> Sequence[ServiceHealth]:
            return [one]

    assert service_rows(One(), NOW) == [("Service 1 (fake)", words)]
    assert service_rows(None, NOW) == []


class Visit:
    """A browser at a page with, or without, notices."""

    def __init__(self, place: Path, notices: FakeNotices | None) -> None:
        put_status(place, status())
        self.notices = notices
        self.access = Access(place, clock=lambda: 1000.0)
        app = page_app(
            PageContext(
                settings=settings_with(place),
                place=place,
                snapshot=lambda: take_snapshot(place, at_utc=datetime.now(UTC)),
                access=self.access,
                notices=notices,
            )
        )
        self.client = TestClient(app, base_url="http://localhost", follow_redirects=False)
        self.client.post("/sign-in", data={"password": new_secret(place)})
        cookie, _ = cookie_names(place.name)
        self.token = self.access.token(self.client.cookies.get(cookie)) or ""


def test_the_button_sends_one_test_and_says_what_became_of_it(tmp_path: Path) -> None:
    """Pressed twice, it is sent once."""
    notices = FakeNotices()
    visit = Visit(tmp_path, notices)

    assert "Send a test message" in visit.client.get("/").text
    answer = visit.client.post("/test-message", data={"token": visit.token})
    again = visit.client.post("/test-message", data={"token": visit.token})

    assert answer.status_code == 200
    assert "Service 1 (fake)</dt><dd>Accepted." in answer.text
    assert "Service 2 (fake)</dt><dd>Not accepted." in answer.text
    assert again.status_code == 429
    assert notices.tests == 1


def test_nobody_sends_a_test_without_having_signed_in(tmp_path: Path) -> None:
    """Neither without the token nor without the session; how it does may be read."""
    notices = FakeNotices()
    visit = Visit(tmp_path, notices)

    assert visit.client.post("/test-message", data={"token": "x"}).status_code == 403
    visit.client.cookies.clear()
    assert visit.client.post("/test-message", data={"token": visit.token}).status_code == 403
    text = visit.client.get("/").text

    assert notices.tests == 0
    assert "Send a test message" not in text
    assert "Service 2 (fake)</dt><dd>Not working since" in text


def test_without_notices_there_is_no_section(tmp_path: Path) -> None:
    """And no button to press."""
    visit = Visit(tmp_path, None)

    assert "notices-title" not in visit.client.get("/").text
    assert visit.client.post("/test-message", data={"token": visit.token}).status_code == 404


def test_every_link_of_a_notice_leads_to_a_part_of_the_page(tmp_path: Path) -> None:
    """Tapped at night, it must not end at the top of something else."""
    place = tmp_path
    notices = FakeNotices()
    visit = Visit(place, notices)
    put_status(place, status(alarms=[alarm("air_high")]))
    page = visit.client.get("/").text
    sources = Path(due.__file__).parent.glob("*.py")
    parts = {
        part
        for source in sources
        for part in re.findall(r'link\("([a-z-]+)"\)', source.read_text(encoding="utf-8"))
    } | {ALARMS_PART}

    assert parts == {"headline", "change-title", "notices-title", "alarms-title"}
    assert all(f'id="{part}"' in page for part in parts)
