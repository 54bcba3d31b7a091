"""Where the requests file lies, who may write it, and a file of an earlier release."""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.domain.requests import LogSwap, RequestKind, Resume
from controller.records.requests_file import (
    REQUESTS,
    ask,
    log_past_swap,
    newest,
    settle,
    swaps,
    unanswered,
)
from controller.records.requests_place import FORMER_REQUESTS, in_use, why_unseen

SAMPLES = Path(__file__).parent / "samples" / "0.1.0"
AT = datetime(2026, 7, 14, 16, 0, tzinfo=UTC)


def mode_of(path: Path) -> int:
    """Return the permission bits."""
    return stat.S_IMODE(path.stat().st_mode)


def of_release_0_1_0(place: Path) -> Path:
    """Put that release's requests file where it had it."""
    path = place / FORMER_REQUESTS
    with closing(sqlite3.connect(path)) as file, file:
        file.executescript((SAMPLES / "requests.sql").read_text(encoding="utf-8"))
    return path


@pytest.mark.parametrize("umask", [0o022, 0o027, 0o077])
def test_the_group_may_ask_whatever_the_umask(tmp_path: Path, umask: int) -> None:
    """The journal lies beside the file, so the folder is the group's too; nobody else's."""
    before = os.umask(umask)
    try:
        ask(tmp_path / REQUESTS, Resume(), who="Tove")
    finally:
        os.umask(before)

    assert mode_of(tmp_path / REQUESTS) == 0o660
    assert mode_of((tmp_path / REQUESTS).parent) == 0o770


def test_a_folder_keeps_its_files_in_the_group_of_the_instance(tmp_path: Path) -> None:
    """The state directory has the set-group-id bit, and the folder in it inherits it."""
    tmp_path.chmod(0o2750)

    ask(tmp_path / REQUESTS, Resume(), who="Tove")

    assert mode_of((tmp_path / REQUESTS).parent) == 0o2770


def test_a_file_of_an_earlier_release_is_used_where_it_is_until_the_service_moves_it(
    tmp_path: Path,
) -> None:
    """A command of the new release may run before the service does: nothing is split in two."""
    of_release_0_1_0(tmp_path)
    path = tmp_path / REQUESTS
    logged = swaps(path)
    number = ask(path, Resume(), who="Tove")

    assert logged
    assert not path.exists()

    settle(tmp_path)

    assert path.exists()
    assert not (tmp_path / FORMER_REQUESTS).exists()
    assert mode_of(path) == 0o660
    assert swaps(path) == logged
    assert number in {request.id for request in unanswered(path, most=50)}


def test_what_an_earlier_release_was_given_after_the_move_is_taken_over(tmp_path: Path) -> None:
    """Somebody went back to it for a day: its pack changes count, each once."""
    path = tmp_path / REQUESTS
    log_past_swap(path, at=AT, packs=4, who="Tove")
    of_release_0_1_0(tmp_path)
    both = 1 + len(swaps(of_release_0_1_0_elsewhere(tmp_path)))

    settle(tmp_path)
    settle(tmp_path)

    assert not (tmp_path / FORMER_REQUESTS).exists()
    assert len(swaps(path)) == both


def of_release_0_1_0_elsewhere(tmp_path: Path) -> Path:
    """Return that release's file in a folder of its own."""
    place = tmp_path / "elsewhere"
    place.mkdir()
    return of_release_0_1_0(place)


def test_a_second_start_moves_nothing(tmp_path: Path) -> None:
    """What lies in its place stays as it is."""
    path = tmp_path / REQUESTS
    ask(path, LogSwap(packs=4, at=AT), who="Tove")
    settle(tmp_path)

    request = newest(path, RequestKind.SWAP)

    assert request is not None
    assert in_use(path) == path


def test_a_file_that_the_service_cannot_use_is_named_with_its_cure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A request in it would never be answered."""
    path = tmp_path / REQUESTS
    ask(path, Resume(), who="Tove")
    assert why_unseen(path, tmp_path) is None
    path.chmod(0o440)
    service = tmp_path.stat()
    as_service = os.stat_result((*service[:4], 4711, 4711, *service[6:]))
    stat_of = Path.stat
    monkeypatch.setattr(
        Path,
        "stat",
        lambda self, **options: as_service if self == tmp_path else stat_of(self, **options),
    )

    why = why_unseen(path, tmp_path)

    assert why is not None
    assert "0440" in why
    assert "sudo chown" in why
