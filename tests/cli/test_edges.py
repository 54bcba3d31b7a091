"""What commands do at their edges: ports and files taken again, counts, rights, statuses."""

from __future__ import annotations

import grp
import json
import os
import socket
import sys
from dataclasses import replace
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest
from rich.console import Console

from controller.cli import (
    backup,
    check,
    extras,
    lookout,
    new_file,
    people,
    plan,
    plan_server,
    rights,
    run,
    status,
)
from controller.cli import import_ as importing
from controller.cli import off as putting_off
from controller.cli import report as reporting
from controller.cli.main import EX_CONFIG, EX_UNAVAILABLE, EX_USAGE, coldpin, status_of
from controller.cli.manual_page import manual_page
from controller.cli.new_file import exact_content, replace_content
from controller.commissioning.backup import CONFIG as CONFIG_PART
from controller.commissioning.backup import REQUESTS_PART, Target
from controller.domain.codec import UnreadableError
from controller.domain.places import RECORDS
from controller.errors import InputFileError, OutputError, SettingsError
from controller.service.kept_wiring import KeptLoad
from controller.settings.load import read_settings
from controller.settings.shipped import shipped_config
from tests.support.runner import separating_runner

CONFIG = shipped_config("larkmoor-laptop.toml")


@pytest.fixture(autouse=True)
def _wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Break no line."""
    monkeypatch.setenv("COLUMNS", "300")


def served(
    monkeypatch: pytest.MonkeyPatch, file: Path, *, browser: bool, wrong: bool = False
) -> list[Any]:
    """Return what a plan's server did: the socket's option, and what a browser was sent."""
    done: list[Any] = []

    class Server:
        def run(self, *, sockets: list[socket.socket]) -> None:
            done.append(sockets[0].getsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR) != 0)
            raise KeyboardInterrupt

    def opened(url: str) -> None:
        done.append(url)
        if wrong:
            raise plan_server.webbrowser.Error

    monkeypatch.setattr(plan_server.webbrowser, "open", opened)
    monkeypatch.setattr(plan_server, "server_of", lambda *_, **__: Server())
    plan_server.serve_plan(
        file, plan_server.StartingPoint({}, (), None), address="127.0.0.1", port=0,
        browser=browser, read=exact_content, write=replace_content,
    )  # fmt: skip
    return done


def test_a_plan_that_was_ended_can_be_opened_again_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """At the same port, whose last connection the kernel still keeps; Ctrl-C is no error."""
    assert served(monkeypatch, tmp_path / "box.toml", browser=False) == [True]

    address, how_to_end = capsys.readouterr().out.splitlines()
    assert address.startswith(f"Plan of {tmp_path / 'box.toml'}: http://127.0.0.1:")
    assert how_to_end == "Ctrl-C ends it."


def test_a_browser_that_cannot_be_opened_ends_no_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The address is on the screen."""
    url, reused = served(monkeypatch, tmp_path / "box.toml", browser=True, wrong=True)

    assert url.startswith("http://127.0.0.1:")
    assert reused


def test_plan_serves_what_it_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """To this machine alone, at the port and with the file that were named, in a browser."""
    given: list[Any] = []
    needed: list[Any] = []
    monkeypatch.setattr(plan, "need", lambda extra, what: needed.append((extra, what)))
    monkeypatch.setattr(plan_server, "serve_plan", lambda *of, **how: given.append((of, how)))
    file = tmp_path / "box.toml"

    assert status_of(["plan", str(file)]) == 0
    assert status_of(["plan", str(file), "--port", "0", "--no-browser"]) == 0

    assert needed == [("lookout", "coldpin plan")] * 2
    how = {"address": "127.0.0.1", "read": exact_content, "write": replace_content}
    start = plan_server.StartingPoint({}, (), None)
    assert given == [
        ((file, start), {**how, "port": 8471, "browser": True}),
        ((file, start), {**how, "port": 0, "browser": False}),
    ]


def test_plan_of_a_faulty_file_says_what_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And who explains it."""
    monkeypatch.setattr(plan, "need", lambda *_, **__: None)
    file = tmp_path / "box.toml"
    file.write_text(CONFIG.read_text(encoding="utf-8").replace("[chamber]", "[chambre]"), "utf-8")

    with pytest.raises(InputFileError) as error:
        plan._start(file)

    assert len(error.value.problems) > 1
    assert error.value.problems[-1] == "`coldpin check` explains each of these"


@pytest.mark.parametrize(("kind", "opened"), [("simulated", "live"), ("one-wire", "bus")])
def test_only_simulated_probes_have_a_simulated_chamber(
    monkeypatch: pytest.MonkeyPatch, kind: str, opened: str
) -> None:
    """The service on a Pi never loads the physics."""
    monkeypatch.setattr(run, "open_source", lambda *of: ("bus", *of))
    monkeypatch.setattr("controller.rehearsal.live.open_live_chamber", lambda *of: ("live", *of))
    settings: Any = SimpleNamespace(probes=SimpleNamespace(air=SimpleNamespace(kind=kind)))

    source: Any = run._open_any_source(settings, "outputs", Path("folder"))  # type: ignore[arg-type]

    assert source == (opened, settings, "outputs", *[Path("folder")] * (opened == "bus"))


def test_the_service_has_its_state_directory_where_there_is_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As systemd names it."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))

    assert run._place_of(CONFIG) == tmp_path


@pytest.mark.parametrize("installed", [True, False])
def test_what_was_restored_is_said_part_by_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, installed: bool
) -> None:
    """How to look at it, and, of an installed chamber, how to start it."""
    config = tmp_path / "loft.toml"
    monkeypatch.setattr(backup, "CONFIGURATIONS", tmp_path if installed else Path("/etc/coldpin"))
    monkeypatch.setattr(backup, "last_reading_at", lambda _: None)
    targets = tuple(
        Target(name=name, source=config, path=Path(f"/x/{name}"), outside=False)
        for name in (CONFIG_PART, RECORDS, REQUESTS_PART, "room.csv")
    )
    chamber = "loft" if installed else str(config)

    first, second = backup._restored_words(config, targets).splitlines()

    assert first == (
        f"Restored the configuration to {config}; the records, without readings to /x/{RECORDS}; "
        f"pack changes and other requests to /x/{REQUESTS_PART}; room.csv to /x/room.csv."
    )
    start = "; to start it: sudo systemctl enable --now coldpin@loft" if installed else ""
    assert second == f"To see it: coldpin check {chamber}, coldpin report {chamber}{start}"
    at = datetime(2026, 7, 1, 7, 0, tzinfo=UTC)
    monkeypatch.setattr(backup, "last_reading_at", lambda _: at)
    assert f"the records up to {at.astimezone():%Y-%m-%d %H:%M} to /x/" in backup._restored_words(
        config, targets
    )


@pytest.mark.skipif(os.geteuid() != 0, reason="another group needs root")
def test_a_new_configuration_is_read_by_the_services_group_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In its folder, whatever the umask; elsewhere the umask decides."""
    group = next(each for each in grp.getgrall() if each.gr_gid)
    chown = new_file.shutil.chown
    monkeypatch.setattr(new_file, "CONFIGURATIONS", tmp_path)
    monkeypatch.setattr(
        new_file.shutil, "chown", lambda file, group: chown(file, group=GROUPS[group])
    )
    GROUPS["coldpin"] = group.gr_gid
    (tmp_path / "elsewhere").mkdir()
    before = os.umask(0o022)
    try:
        replace_content(tmp_path / "loft.toml", "new")
        replace_content(tmp_path / "elsewhere" / "loft.toml", "new")
    finally:
        os.umask(before)

    inside, outside = ((tmp_path / name).stat() for name in ("loft.toml", "elsewhere/loft.toml"))
    assert (inside.st_gid, inside.st_mode & 0o777) == (group.gr_gid, 0o640)
    assert (outside.st_gid, outside.st_mode & 0o777) == (os.getegid(), 0o644)


GROUPS: dict[str, int] = {}


def test_a_file_that_cannot_be_replaced_leaves_no_part_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And what was there is there."""
    file = tmp_path / "loft.toml"
    file.write_text("old", encoding="utf-8")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(new_file, "_give_rights", full)
    with pytest.raises(OSError, match="No space"):
        replace_content(file, "new")
    with pytest.raises(click.UsageError, match=f"cannot write {file}: No space left on device"):
        new_file.write_whole(file, "new")

    assert [each.name for each in tmp_path.iterdir()] == ["loft.toml"]
    assert file.read_text(encoding="utf-8") == "old"


def test_exact_content_is_every_byte_and_says_why_there_is_none(tmp_path: Path) -> None:
    """Ends of lines and a mark at the beginning stay as they are."""
    file = tmp_path / "c.toml"
    file.write_bytes("\ufeffa\r\nb\r".encode())
    assert exact_content(file) == "\ufeffa\r\nb\r"
    assert new_file.read_content(file) == "a\nb\n"

    file.write_bytes(b"\xff\xfe")
    for read in (exact_content, new_file.read_content):
        with pytest.raises(InputFileError, match="cannot be read: it is not UTF-8 text"):
            read(file)
        with pytest.raises(InputFileError, match="cannot be read: No such file or directory"):
            read(tmp_path / "none")


@pytest.mark.parametrize(
    ("euid", "person", "group", "given"),
    [(0, "1000", "1001", [(1000, 1001)]), (0, "", "1001", []), (0, "1000", "", []),
     (1000, "1000", "1001", [])],
)  # fmt: skip
def test_a_file_made_with_sudo_is_the_persons(
    monkeypatch: pytest.MonkeyPatch, euid: int, person: str, group: str, given: list[Any]
) -> None:
    """Where sudo says who that is."""
    done: list[Any] = []
    monkeypatch.setattr(os, "geteuid", lambda: euid)
    monkeypatch.setattr(os, "chown", lambda _file, *ids: done.append(ids))
    monkeypatch.setenv("SUDO_UID", person)
    monkeypatch.setenv("SUDO_GID", group)

    rights.give_to_person(Path("a.tar.gz"))

    assert done == given


@pytest.mark.parametrize("columns", [1, 9, 10, 30])
def test_the_narrowest_terminal_has_ten_columns(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], columns: int
) -> None:
    """No column is narrower than that, and a long value goes on below itself."""
    monkeypatch.setenv("COLUMNS", str(columns))

    people.say("aaaa bbbb cccc")
    people.rows([("air", "16.2 °C and more"), ("by", "")])

    out = capsys.readouterr().out.splitlines()
    if columns < 30:
        assert out == ["aaaa bbbb", "cccc", "air  16.2 °C", "     and more", "by"]
    else:
        assert out == ["aaaa bbbb cccc", "air  16.2 °C and more", "by"]


def test_status_is_shown_again_and_again_until_it_is_interrupted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every two seconds, on an empty screen; a script's document clears nothing."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    done: list[Any] = []

    def sleep(seconds: float) -> None:
        done.append(seconds)
        if len(done) > 3:
            raise KeyboardInterrupt

    monkeypatch.setattr(status.time, "sleep", sleep)
    monkeypatch.setattr(status.click, "clear", lambda: done.append("cleared"))

    assert status_of(["status", str(CONFIG), "--watch"]) == 130
    assert done == ["cleared", 2.0, "cleared", 2.0]
    assert capsys.readouterr().out.count("coldpin is not running on this machine") == 2
    done.clear()
    assert status_of(["status", str(CONFIG), "--watch", "--json"]) == 130
    assert done == [2.0] * 4


@pytest.mark.parametrize(("bad", "left"), [(20, 0), (21, 1), (25, 5)])
def test_twenty_bad_rows_are_named_and_the_others_counted(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    bad: int,
    left: int,
) -> None:
    """On standard error; the sum comes last."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    file = tmp_path / "day.csv"
    good = [f"2026-07-14T{n // 60:02}:{n % 60:02}:00+01:00,16.0" for n in range(200)]
    rows = [*good, *["2026-07-15T00:01:00+01:00,x"] * bad]
    file.write_text("\n".join(["time,air_c", *rows]) + "\n", encoding="utf-8")

    assert status_of(["import", str(CONFIG), "--csv", str(file)]) == 0

    shown = capsys.readouterr()
    lines = shown.err.splitlines()
    assert len(lines) == importing.MOST_SHOWN + (left > 0)
    assert lines[-1].startswith("…") is (left > 0)
    if left:
        assert lines[-1] == f"… and {left} more rows left out"
    assert shown.out.startswith(f"200 rows and 0 pack changes from {file}; {bad} bad rows ")
    assert "200 rows without pump and fan: what ran then is not known" in shown.out


def test_a_first_run_that_is_damaged_costs_no_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is left out, and that is said."""

    def damaged(_: Path) -> None:
        raise UnreadableError("records.sqlite: row 3 of first_runs is damaged")

    monkeypatch.setattr(reporting, "last_first_run", damaged)

    assert reporting._first_run(tmp_path) is None
    assert capsys.readouterr().err == (
        "The first run is left out: records.sqlite: row 3 of first_runs is damaged\n"
    )


def test_a_page_of_a_report_is_that_of_the_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its settings, its records and every change of packs."""
    settings = read_settings(CONFIG)
    given: list[Any] = []
    monkeypatch.setattr(
        "controller.history.report_page.report_page", lambda *of: (given.append(of), "page")[1]
    )
    made: Any = "report"

    reporting._write_page(tmp_path / "r.html", made, settings, tmp_path, [])

    assert (tmp_path / "r.html").read_text(encoding="utf-8") == "page"
    assert given == [("report", settings, tmp_path / RECORDS, [])]


@pytest.mark.parametrize(
    ("words", "running", "unreadable", "ends"),
    [
        ([("pump: off", True), ("fan: off", True)], None, [], 0),
        ([("pump: stuck", False), ("fan: off", True)], "still runs", ["bad"], 69),
        ([("pump: off", True)], "still runs", ["bad"], 75),
        ([("pump: off", True)], None, ["bad"], 78),
    ],
)
def test_off_ends_by_the_worst_and_says_all(
    capfd: pytest.CaptureFixture[str],
    words: list[tuple[str, bool]],
    running: str | None,
    unreadable: list[str],
    ends: int,
) -> None:
    """What is off on standard output; what is wrong on standard error."""
    load = KeptLoad(name="pump", driver="dry", options={})
    outcomes = [putting_off._Outcome(load, text, is_off) for text, is_off in words]

    assert putting_off._report(outcomes, unreadable, running) == ends

    shown = capfd.readouterr()
    assert shown.out.splitlines() == [text for text, is_off in words if is_off]
    bad = [text for text, is_off in words if not is_off]
    assert shown.err.splitlines() == [*bad, *([running] if running else []), *unreadable]


@pytest.mark.parametrize("without_threads", [True, False])
def test_a_load_that_cannot_be_put_off_says_why(
    monkeypatch: pytest.MonkeyPatch, without_threads: bool
) -> None:
    """A driver that cannot describe itself has put it off all the same."""
    load = KeptLoad(name="pump", driver="dry", options={})

    def driver(problem: bool) -> Any:
        def opened(_options: object) -> Any:
            if problem:
                raise OutputError("line busy")
            return SimpleNamespace(close=lambda: None)

        return SimpleNamespace(open=opened)

    if without_threads:
        monkeypatch.setattr(putting_off.threading.Thread, "start", _no_thread)
    for problem, words in ((True, "pump: line busy"), (False, "pump: off")):
        monkeypatch.setattr(putting_off, "find_driver", lambda _, problem=problem: driver(problem))
        assert putting_off._put_off(load) == putting_off._Outcome(load, words, not problem)


def _no_thread(_thread: object) -> None:
    raise RuntimeError("can't start new thread")


def test_a_load_whose_driver_hangs_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a limited time, with what a person can still do."""
    waits: list[float] = []
    monkeypatch.setattr(putting_off.threading.Thread, "start", lambda _: None)
    monkeypatch.setattr(
        putting_off.threading.Thread, "join", lambda _, seconds: waits.append(seconds)
    )
    load = KeptLoad(name="pump", driver="slow", options={})

    outcome = putting_off._put_off(load)

    assert (outcome.words, outcome.is_off) == (
        "pump: its driver slow has not answered within 3 s; cut its supply by hand", False,
    )  # fmt: skip
    assert waits == [3.0]


def test_folders_where_wiring_may_be_kept_are_looked_into_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory before the medium; one that cannot be named is passed over, and none is made."""
    memory, medium = tmp_path / "memory", tmp_path / "medium"
    found: dict[str, Path | None] = {}

    def folder(name: str) -> Any:
        def named(_: Path, **how: bool) -> Path:
            assert how in ({}, {"create": False})
            assert how or name == "named_state_directory"
            place = found[name]
            if place is None:
                raise OSError
            return place

        return named

    for name in ("boot_memory", "memory_of_configuration", "named_state_directory"):
        monkeypatch.setattr(putting_off, name, folder(name))
    for boot, own, state, places in (
        (memory, memory, medium, [memory, medium]),
        (memory, medium, None, [medium]),
        (medium, None, medium, [medium]),
        (None, memory, medium, [memory, medium]),
    ):
        found.update(boot_memory=boot, memory_of_configuration=own, named_state_directory=state)
        assert putting_off._places_of(CONFIG) == places


def test_a_code_for_a_camera_needs_a_package(monkeypatch: pytest.MonkeyPatch) -> None:
    """Small blocks within a border of two; without the package the address is enough."""

    class Code:
        def terminal(self, out: Any, *, compact: bool, border: int) -> None:
            out.write(f"compact {compact}, border {border}\n\n")

    def make(text: str, *, error: str, micro: bool) -> Code:
        assert (text, error, micro) == ("http://loft.local/", "m", False)
        return Code()

    monkeypatch.setitem(sys.modules, "segno", SimpleNamespace(make=make))  # type: ignore[arg-type]
    assert lookout.qr_code("http://loft.local/") == "compact True, border 2"
    monkeypatch.setitem(sys.modules, "segno", None)  # type: ignore[arg-type]
    assert lookout.qr_code("http://loft.local/") is None


def test_versions_are_printed_and_nothing_else_is_done(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever stands behind the option."""
    monkeypatch.setattr("controller.cli.versions.version_lines", lambda: ["one", "two"])
    monkeypatch.setattr("controller.cli.keys.key_tables", lambda: pytest.fail("was run"))

    assert status_of(["--version", "keys"]) == 0
    assert capsys.readouterr().out == "one\ntwo\n"


def test_help_has_every_command_with_its_line(capsys: pytest.CaptureFixture[str]) -> None:
    """In columns of one width."""
    assert status_of(["--help"]) == 0

    out = capsys.readouterr().out
    assert "  first-run  Go through the first start of CONFIG step by step, and sign it." in out
    assert "  new        Ask about a chamber, judge it, and write its configuration." in out
    context = click.Context(coldpin, info_name="coldpin")
    assert coldpin.list_commands(context)[:2] == ["new", "plan"]
    assert ".SS coldpin first\\-run [OPTIONS] [CONFIG]" in manual_page("1.0")


def test_uninstall_is_the_installers_other_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """With its own status."""
    given: list[list[str]] = []
    monkeypatch.setattr(
        "controller.commissioning.installation.command.main", lambda of: (given.append(of), 7)[1]
    )
    run_it = separating_runner()

    ends = [
        run_it.invoke(coldpin, arguments, standalone_mode=False).return_value
        for arguments in (["uninstall"], ["uninstall", "--dry-run"], ["install", "--bulk-read"])
    ]

    assert ends == [7, 7, 7]
    assert given == [["--uninstall"], ["--uninstall", "--dry-run"], ["--bulk-read"]]


@pytest.mark.parametrize(("width", "as_list"), [(77, True), (78, False)])
def test_wiring_is_a_table_where_it_can_be_read(width: int, as_list: bool) -> None:
    """From 78 columns on."""
    out = StringIO()

    check._print_wiring(Console(file=out, width=width), check.plan_of(CONFIG))

    lines = out.getvalue().splitlines()
    assert lines[-1] == "Nothing real is switched: every driver is dry."
    assert ("  supply: 12 V DC" in lines) is as_list
    assert lines[1].rstrip() == "Wiring"
    assert (lines[2].rstrip() == "pump") is as_list


def test_a_warning_stands_on_the_screen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each with its word before it; so does what the computer lacks."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr(check, "warnings_of", lambda _: ["48 V beside fog"])
    monkeypatch.setattr(check, "host_findings", lambda *_, **__: ["the card is full"])
    monkeypatch.setattr(check, "_print_expectation", lambda *_: None)

    assert status_of(["check", str(CONFIG)]) == 0

    out = capsys.readouterr().out
    assert "\nwarning: 48 V beside fog\nwarning: the card is full\n" in out
    cautions = out[out.index("\nCautions\n") :]
    assert cautions.count("\n- ") == len(check.CAUTIONS)


def test_a_package_of_an_extra_that_is_not_there_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One, or several; and how to get it."""
    for lacking, words in (
        (["starlette"], "found no package starlette; install it with pip install"),
        (["a", "b"], "found no packages a, b; install them with pip install"),
    ):
        monkeypatch.setattr(extras, "missing", lambda _, lacking=lacking: lacking)
        assert status_of(["plan", "box.toml"]) == EX_UNAVAILABLE
        assert f"coldpin plan: {words} 'coldpin[lookout]'" in capsys.readouterr().err
    monkeypatch.undo()
    monkeypatch.setattr(extras, "packages_of", lambda _: ("click", "no-such-package-of-ours"))
    assert extras.missing("lookout") == ["no-such-package-of-ours"]


def test_each_load_is_put_off_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What memory names first, then the medium, then the file; no load is opened twice."""
    pump, fan, old = (
        KeptLoad(name=name, driver="dry", options={}) for name in ("pump", "fan", "old")
    )
    kept = {"memory": (pump, old), "medium": (old, fan)}
    done: list[str] = []
    monkeypatch.setattr(putting_off, "_places_of", lambda _: [*kept])
    monkeypatch.setattr(putting_off, "read_kept_wiring", lambda place: kept[place])
    monkeypatch.setattr(putting_off, "_still_running", lambda _: None)
    monkeypatch.setattr(
        putting_off, "_put_off",
        lambda load: (done.append(load.name), putting_off._Outcome(load, "off", is_off=True))[1],
    )  # fmt: skip
    named = (pump, replace(fan, options={"pin": 6}))
    monkeypatch.setattr(putting_off, "_named_in", lambda _: named)

    assert status_of(["off", str(CONFIG)]) == 0
    assert done == ["pump", "old", "fan", "fan"]


def test_status_has_the_last_first_run_where_it_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the records that the configuration names."""
    settings: Any = SimpleNamespace(records=None)
    asked: list[Path] = []

    def last(path: Path) -> str:
        asked.append(path)
        if len(asked) > 1:
            raise OSError
        return "signed"

    monkeypatch.setattr(status, "last_first_run", last)

    assert [status._first_run(tmp_path, settings) for _ in range(2)] == ["signed", None]
    assert asked == [tmp_path / RECORDS] * 2


@pytest.mark.parametrize(
    ("euid", "owner", "installed", "refused"),
    [
        (0, 0, True, True), (0, 1000, True, False), (1000, 0, True, False), (0, 0, False, False),
    ],
)  # fmt: skip
def test_root_restores_nothing_that_the_service_could_not_read(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    euid: int,
    owner: int,
    installed: bool,
    refused: bool,
) -> None:
    """Before the installer gave the folder its owner; it is named."""
    place: Any = SimpleNamespace(
        is_relative_to=lambda _: False, stat=lambda: SimpleNamespace(st_uid=owner)
    )
    monkeypatch.setattr(os, "geteuid", lambda: euid)
    monkeypatch.setattr(backup, "CONFIGURATIONS", tmp_path if installed else tmp_path / "other")

    if refused:
        with pytest.raises(SettingsError, match=r"belongs to root, .*run sudo systemd/install"):
            backup._require_installed(tmp_path / "loft.toml", place)
    else:
        backup._require_installed(tmp_path / "loft.toml", place)


def test_keys_are_a_page_a_document_or_the_alarms(capsys: pytest.CaptureFixture[str]) -> None:
    """Each alone on standard output."""
    shown = []
    for option in ("--markdown", "--alarms", "--json"):
        assert status_of(["keys", option]) == 0
        shown.append(capsys.readouterr().out)
    page, alarms, document = shown

    root = Path(__file__).parents[2]
    assert page == (root / "config" / "README.md").read_text(encoding="utf-8")
    assert "Air too warm" in alarms
    assert [*json.loads(document)] == ["tables"]
    for mixed in (["--alarms", "--json"], ["--json", "--markdown"], ["--alarms", "timing"]):
        assert status_of(["keys", *mixed]) == EX_USAGE
        assert capsys.readouterr().out == ""
    for same in ("[timing]", "Timing", "timing"):
        assert status_of(["keys", same]) == 0
        shown.append(capsys.readouterr().out)
    assert "anti_short_cycle" in shown[-1]
    assert shown[-3:] == [shown[-1]] * 3
    assert status_of(["keys", "no such key"]) == EX_USAGE
    assert "found no table or key with no such key in its name" in capsys.readouterr().err


@pytest.mark.parametrize("alone", [True, False])
def test_a_fit_that_cannot_be_used_is_a_problem_of_its_configuration(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], alone: bool
) -> None:
    """The service goes on without it; whoever checks one chamber or several wants to know."""
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    text = CONFIG.read_text(encoding="utf-8")
    (tmp_path / "loft.toml").write_text(f'{text}\n[plant]\nfitted = "none.toml"\n', "utf-8")
    place = tmp_path / "loft.toml" if alone else tmp_path

    assert status_of(["check", str(place)]) == EX_CONFIG

    said = capsys.readouterr().err
    assert "none.toml" in said
    assert ("loft.toml: plant.fitted" in said) is not alone
