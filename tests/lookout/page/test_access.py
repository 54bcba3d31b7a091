"""Who may act: one try after another, waits that hold, and a new secret that ends the old."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from controller.domain.places import SECRET_FILE
from controller.lookout.page import access as module
from controller.lookout.page.access import Access, TooSoonError, new_secret
from controller.lookout.page.throttle import FREE_TRIES


@pytest.fixture
def access(tmp_path: Path) -> Access:
    return Access(tmp_path, clock=lambda: 1000.0)


def test_many_tries_at_once_are_no_more_than_the_free_ones(
    access: Access, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forty guesses in the same instant: three are looked at, and never two together."""
    new_secret(tmp_path)
    inside = threading.Semaphore(1)
    overlapped = []
    looked_at = []
    hashed = module._hashed

    def slow(secret: str, salt: bytes) -> bytes:
        overlapped.append(not inside.acquire(blocking=False))
        looked_at.append(secret)
        try:
            return hashed(secret, salt)
        finally:
            inside.release()

    monkeypatch.setattr(module, "_hashed", slow)
    begin = threading.Barrier(40)
    refused = []

    def guess() -> None:
        begin.wait()
        try:
            assert access.enter("guess") is None
        except TooSoonError as error:
            refused.append(error.wait_s)

    threads = [threading.Thread(target=guess) for _ in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert len(looked_at) == FREE_TRIES
    assert len(refused) == 40 - FREE_TRIES
    assert not any(overlapped)


def test_a_try_that_was_not_looked_at_makes_nobody_wait_longer(
    access: Access, tmp_path: Path
) -> None:
    """Else a neighbour who knocks on and on would keep the grower out for a quarter of an hour."""
    new_secret(tmp_path)
    for _ in range(FREE_TRIES):
        access.enter("guess")
    before_s = access.wait_s()

    for _ in range(10):
        with pytest.raises(TooSoonError, match="wait 2 s"):
            access.enter("guess")

    assert access.wait_s() == before_s == 2.0


def test_a_new_secret_ends_every_session_of_the_old_one(access: Access, tmp_path: Path) -> None:
    """Whoever makes one because the old one got about wants the others out."""
    old = access.enter(new_secret(tmp_path))
    assert old is not None
    token = access.token(old)
    assert token is not None

    new = access.enter(new_secret(tmp_path))

    assert access.token(old) is None
    assert not access.may_act(old, token)
    assert access.token(new) is not None


def test_a_secret_that_was_taken_away_ends_every_session(access: Access, tmp_path: Path) -> None:
    """No file, nobody acts."""
    session = access.enter(new_secret(tmp_path))
    (tmp_path / SECRET_FILE).unlink()

    assert access.token(session) is None


@pytest.mark.parametrize(
    ("typed", "who"),
    [("Tove", "Tove"), ("  Tove\n\x1b[31m ", "Tove [31m"), ("", ""), ("x" * 99, "x" * 40)],
)
def test_a_name_is_a_short_line(access: Access, tmp_path: Path, typed: str, who: str) -> None:
    """It goes into requests, log and page."""
    session = access.enter(new_secret(tmp_path), typed)

    assert access.who(session) == who
    assert access.who("another") == ""
