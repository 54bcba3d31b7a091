"""Installing: what is refused, what a dry run prints, and an upgrade that goes back by itself."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from controller.commissioning.installation import command, steps
from controller.commissioning.installation import upgrade as module
from controller.commissioning.installation.actions import (
    Command,
    Folder,
    InstallationError,
    InstallStep,
    Link,
    Remove,
    Write,
)
from controller.commissioning.installation.command import (
    _build_of,
    _no_room_left,
    _say_what_next,
    main,
)
from controller.commissioning.installation.machine import (
    Machine,
    ProgramResult,
    problems_of,
    read_machine,
    run_program,
)
from controller.commissioning.installation.steps import (
    Wanted,
    boot_step,
    home_of,
    link_step,
    preparing_steps,
    removal_steps,
)
from controller.commissioning.installation.upgrade import Upgrade
from tests.support.waiting import until

ROOT = Path(__file__).parents[3]
MACHINE = Machine(
    is_root=True, person="mara", model="Raspberry Pi 4", release="Debian 12", is_raspberry_os=True,
    processor="aarch64", python=(3, 11), systemd=252, packages=frozenset({"python3-venv"}),
    offered=frozenset({"python3-venv", "python3-lgpio"}), free_mb=4000, gpio_chips=("gpiochip0",),
    has_one_wire=True, boot_settings="", watchdog="0", instances=("loft",),
    active=("coldpin@loft.service",), version="0.1.0",
)  # fmt: skip
WANTED = Wanted(
    source=ROOT, version="9.9.9", shipped=ROOT / "systemd", lock=ROOT / "systemd/requirements.lock"
)


class Recorder:
    """A runner that notes what is run, and fails where it was told to."""

    def __init__(self, *failing: str) -> None:
        self.ran: list[str] = []
        self._failing = list(failing)

    def __call__(self, argv: Sequence[str]) -> ProgramResult:
        line = " ".join(argv)
        self.ran.append(line)
        if line in self._failing:
            self._failing.remove(line)
            return ProgramResult(status=1, output="it broke")
        return ProgramResult(status=0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"is_root": False}, "sudo"),
        ({"systemd": None}, "no systemd"),
        ({"systemd": 247}, "252 is the least"),
        ({"python": (3, 9)}, "Python 3.9 is too old"),
        ({"processor": "riscv64"}, "processor riscv64"),
        ({"free_mb": 120}, "120 MB free"),
    ],
)
def test_what_stands_against_an_installation_is_reported_with_what_to_do(
    change: dict[str, object], words: str
) -> None:
    """One line for each."""
    (problem,) = problems_of(replace(MACHINE, **change))  # type: ignore[arg-type]

    assert words in problem


def test_a_full_card_does_not_stop_a_removal() -> None:
    """Room, packages and a newer system are what an installation takes."""
    old = replace(MACHINE, free_mb=0, systemd=247, processor="riscv64", python=(3, 9))

    assert problems_of(old, removal=True) == []
    (problem,) = problems_of(replace(old, is_root=False), removal=True)
    assert "sudo" in problem


def test_without_systemd_there_is_nothing_to_remove() -> None:
    """It would take away units and programs, and then fail at systemd."""
    (problem,) = problems_of(replace(MACHINE, systemd=None), removal=True)
    assert problem == "no systemd here: there is no service to remove"


def test_a_good_machine_has_no_problems() -> None:
    """Or nobody could install."""
    assert problems_of(MACHINE) == []


def test_only_configurations_of_chambers_are_instances(tmp_path: Path) -> None:
    """`coldpin fit` writes its figures beside them; no service is made, judged or ended for it."""
    folder = tmp_path / "etc/coldpin"
    folder.mkdir(parents=True)
    for name, text in (
        ("loft", '[chamber]\nname = "Loft"\n'),
        ("loft-fit", "[plant.chamber]\nwall_u_w_m2k = 0.8\n"),
        ("relay-modules", "[modules]\n"),
    ):
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")

    assert read_machine(Recorder(), tmp_path).instances == ("loft",)


def test_the_installed_version_is_what_the_first_line_says(tmp_path: Path) -> None:
    """The lines behind it say which version each service runs."""
    program = tmp_path / "opt/coldpin/current/bin/coldpin"
    program.parent.mkdir(parents=True)
    program.touch()

    def run(argv: Sequence[str]) -> ProgramResult:
        version_text = "coldpin, version 0.2.0\nloft: 0.1.0 runs, 0.2.0 is installed: restart it\n"
        return ProgramResult(status=0, output=version_text if "--version" in argv else "")

    assert read_machine(run, tmp_path).version == "0.2.0"


def test_the_installer_needs_nothing_but_python() -> None:
    """A clone runs it before any package is there; without sudo a dry run changes nothing."""
    ran = subprocess.run(
        [sys.executable, "-I", "-S", str(ROOT / "systemd" / "install"), "--dry-run"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert "Traceback" not in ran.stderr
    assert "Would install coldpin" in ran.stdout
    assert (
        "pip install -q --disable-pip-version-check --no-cache-dir --require-hashes" in ran.stdout
    )


def test_only_what_is_missing_is_installed_from_the_system() -> None:
    """python3-venv is there already."""
    packages, _, _ = preparing_steps(MACHINE, WANTED)

    (command,) = packages.actions
    assert isinstance(command, Command)
    assert command.argv[-1] == "python3-lgpio"
    assert "python3-venv" not in command.argv


@pytest.mark.parametrize("offered", [True, False])
def test_lgpio_comes_from_the_system_where_it_has_it(offered: bool) -> None:
    """PyPI has no wheel of it for the Python of trixie; Debian proper has no package of it."""
    names = {"python3-venv"} | ({"python3-lgpio"} if offered else set())
    machine = replace(MACHINE, packages=frozenset({"python3-venv"}), offered=frozenset(names))

    packages = next(preparing_steps(machine, WANTED))
    shown = [each.shown() for step in preparing_steps(machine, WANTED) for each in step.actions]

    assert ("not in the package lists: python3-lgpio" in packages.title) is not offered
    assert any("apt-get" in line and "python3-lgpio" in line for line in shown) is offered
    assert any("pip" in line and "lgpio.lock" in line for line in shown) is not offered
    assert any("--system-site-packages" in line for line in shown)


@pytest.mark.parametrize(
    ("chips", "processor", "used"),
    [(("gpiochip0",), "x86_64", True), ((), "aarch64", True), ((), "x86_64", False)],
    ids=["PC-with-a-chip", "board-whose-driver-may-come", "PC-without"],
)
def test_a_computer_without_lines_needs_no_compiler_for_lgpio(
    chips: tuple[str, ...], processor: str, used: bool
) -> None:
    """PyPI has no ready-made file of it for a PC with the Python of Debian 13."""
    machine = replace(
        MACHINE, offered=frozenset(), gpio_chips=chips, processor=processor, boot_settings=None
    )

    shown = [each.shown() for step in preparing_steps(machine, WANTED) for each in step.actions]

    assert any("lgpio.lock" in line for line in shown) is used


@pytest.mark.parametrize("source", [ROOT, ROOT / "coldpin-9.9.9-py3-none-any.whl"])
def test_nothing_comes_from_the_network_without_its_hash(source: Path) -> None:
    """The package itself comes from the disk; what builds it from a clone is no exception."""
    machine = replace(MACHINE, packages=frozenset({"python3-venv"}), offered=frozenset())
    wanted = replace(WANTED, source=source)

    shown = [each.shown() for step in preparing_steps(machine, wanted) for each in step.actions]

    pips = [line for line in shown if " pip install " in line]
    own = [line for line in pips if "--no-deps" in line]
    assert len(own) == 1
    assert ("--no-build-isolation" in own[0]) is source.is_dir()
    assert all("--require-hashes" in line for line in pips if line not in own)
    locks = [line.split(" -r ")[1] for line in pips if " -r " in line]
    assert all(Path(lock).is_file() for lock in locks)
    assert len(locks) == (3 if source.is_dir() else 2)


def test_boot_lines_are_proposed_and_written_only_when_told_to() -> None:
    """With the file before kept beside it."""
    configuration = '[loads.pump]\ndriver = "gpio"\npin = 5\nactive_low = true\n'

    proposed = boot_step(MACHINE, WANTED, [configuration])
    written = boot_step(MACHINE, replace(WANTED, write_boot_lines=True), [configuration])

    assert "gpio=5=op,dh" in proposed.title
    assert not proposed.actions
    backup, change = written.actions
    assert isinstance(backup, Write)
    assert isinstance(change, Write)
    assert backup.text == ""
    assert backup.path.name == "config.txt.before-coldpin"
    assert "gpio=5=op,dh" in change.text
    assert "gpiopin=4" in change.text


def test_the_probes_bus_of_the_boot_settings_is_the_configurations() -> None:
    """GPIO4 may carry a load there."""
    proposed = boot_step(MACHINE, WANTED, ["[one_wire]\npin = 24\n", "[chamber]\n"])

    assert "dtoverlay=w1-gpio,gpiopin=24\n" in proposed.title
    assert "gpiopin=4\n" not in proposed.title


def test_rules_are_put_in_force_also_where_they_are_written_already(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An installation that ended between the two would leave the pins to root until a restart."""
    monkeypatch.setattr(steps, "unchanged", lambda path, text: True)

    on_debian = steps.rule_step(replace(MACHINE, is_raspberry_os=False), WANTED)
    with_bulk_read = steps.rule_step(MACHINE, replace(WANTED, bulk_read=True))

    for step in (on_debian, with_bulk_read):
        shown = [each.shown() for each in step.actions]
        assert shown[0] == "udevadm control --reload"
        assert shown[1].startswith("udevadm trigger")
    assert steps.rule_step(MACHINE, WANTED).actions == ()
    assert steps.unit_step(WANTED).actions == [], "or a second run would restart what runs"


def test_a_removal_names_what_it_keeps(tmp_path: Path) -> None:
    """Configurations and records where there are any; always their user, who may own others."""
    *_, empty = removal_steps(MACHINE, tmp_path)
    (tmp_path / "etc" / "coldpin").mkdir(parents=True)
    *_, with_files = removal_steps(MACHINE, tmp_path)

    assert empty.title.startswith("Kept: the user coldpin; the lines in the boot settings")
    assert with_files.title.startswith("Kept: /etc/coldpin, and the user coldpin, whose files")


def test_removal_puts_outputs_off_before_the_program_goes() -> None:
    """And takes the page's unit too; configuration and records stay."""
    shown = [action.shown() for step in removal_steps(MACHINE) for action in step.actions]

    off = next(i for i, line in enumerate(shown) if " off " in line)
    removed_at = next(i for i, line in enumerate(shown) if line == "remove /opt/coldpin")
    assert "systemctl disable --now coldpin-lookout@loft.service" in shown[:off]
    assert off < removed_at
    assert not any(
        "/etc/coldpin" in line or "/var/lib" in line for line in shown if "remove" in line
    )


def test_files_have_their_modes_whatever_the_umask(tmp_path: Path) -> None:
    """A person's umask of 077 would lock the service out of its own program."""
    import os

    before = os.umask(0o077)
    try:
        Write(path=tmp_path / "new" / "file", text="x", mode=0o644).do(Recorder())
        user = Path(tmp_path).owner()
        Folder(path=tmp_path / "folder", mode=0o755, owner=user, group=Path(tmp_path).group()).do(
            Recorder()
        )
    finally:
        os.umask(before)

    assert (tmp_path / "new" / "file").stat().st_mode & 0o777 == 0o644
    assert (tmp_path / "folder").stat().st_mode & 0o777 == 0o755


def test_a_command_that_fails_says_how_and_what_to_do() -> None:
    """With the end of what it printed."""
    with pytest.raises(InstallationError, match=r"status 1\n    it broke\nplug it in"):
        Command(argv=("a", "b"), or_else="plug it in").do(Recorder("a b"))


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with an old version in force, its unit, and records of schema 4."""
    for name in ("CURRENT", "ON_PATH"):
        monkeypatch.setattr(module, name, tmp_path / name)
    monkeypatch.setattr(module, "UNITS", tmp_path / "units")
    monkeypatch.setattr(module, "STATES", tmp_path / "states")
    (tmp_path / "CURRENT").symlink_to("versions/0.1.0")
    (tmp_path / "units").mkdir()
    (tmp_path / "units" / "coldpin@.service").write_text("old", encoding="utf-8")
    (tmp_path / "states" / "loft").mkdir(parents=True)
    with closing(sqlite3.connect(tmp_path / "states/loft/records.sqlite")) as file, file:
        file.execute("PRAGMA user_version = 4")
        file.execute("CREATE TABLE readings (id)")
        file.execute("INSERT INTO readings VALUES (1)")
    return tmp_path


def changing(place: Path) -> list[InstallStep]:
    """Return the steps of an upgrade."""
    return [
        InstallStep(
            title="change",
            actions=[
                Write(path=place / "units" / "coldpin@.service", text="new"),
                Link(path=place / "CURRENT", target=Path("versions/9.9.9")),
                Link(path=place / "ON_PATH", target=place / "CURRENT/bin/coldpin"),
            ],
        )
    ]


RESTART = "systemctl restart coldpin@loft.service"


def test_an_upgrade_that_comes_up_stays(installed: Path) -> None:
    """And leaves no copy behind."""
    run = Recorder()

    Upgrade(MACHINE, run, print).do(changing(installed))

    assert run.ran == [RESTART]
    assert (installed / "CURRENT").readlink() == Path("versions/9.9.9")
    assert (installed / "units" / "coldpin@.service").read_text(encoding="utf-8") == "new"
    assert list((installed / "states" / "loft").iterdir()) == [
        installed / "states/loft/records.sqlite"
    ]


@pytest.mark.parametrize("converted", [True, False])
def test_an_upgrade_that_does_not_come_up_goes_back(installed: Path, converted: bool) -> None:
    """Program, unit and, where the new version has converted them, records; and it runs again."""
    records = installed / "states/loft/records.sqlite"

    class Converting(Recorder):
        def __call__(self, argv: Sequence[str]) -> ProgramResult:
            if " ".join(argv) == RESTART and RESTART not in self.ran:
                with closing(sqlite3.connect(records)) as file, file:
                    file.execute(f"PRAGMA user_version = {5 if converted else 4}")
                    file.execute("INSERT INTO readings VALUES (2)")
            return super().__call__(argv)

    run = Converting(RESTART)
    with pytest.raises(
        InstallationError, match=r"(?s)did not come up.*Went back to coldpin 0\.1\.0"
    ):
        Upgrade(MACHINE, run, print).do(changing(installed))

    assert run.ran[-2:] == ["systemctl daemon-reload", RESTART]
    assert (installed / "CURRENT").readlink() == Path("versions/0.1.0")
    assert not (installed / "ON_PATH").exists()
    assert (installed / "units" / "coldpin@.service").read_text(encoding="utf-8") == "old"
    with closing(sqlite3.connect(records)) as file:
        assert file.execute("PRAGMA user_version").fetchone()[0] == 4
        rows = file.execute("SELECT COUNT(*) FROM readings").fetchone()[0]
    assert rows == (1 if converted else 2), "what the new version wrote is kept where it can be"


def test_a_page_that_does_not_come_up_takes_the_upgrade_back(installed: Path) -> None:
    """It ran before; its unit is ready once it listens, so its start says whether it came up."""
    page = "coldpin-lookout@loft.service"
    run = Recorder(f"systemctl restart {page}")
    machine = replace(MACHINE, active=(*MACHINE.active, page))

    with pytest.raises(InstallationError, match=f"(?s){page} did not come up.*Went back to"):
        Upgrade(machine, run, print).do(changing(installed))

    assert run.ran[-2:] == [RESTART, f"systemctl restart {page}"]
    assert (installed / "CURRENT").readlink() == Path("versions/0.1.0")


def test_a_full_disk_is_named_where_a_program_failed_by_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk made ensurepip return "non-zero exit status 1", and no word of the disk."""
    assert _no_room_left(tmp_path) == ""

    monkeypatch.setattr(command, "FULL_BELOW", shutil.disk_usage(tmp_path).free + 10**12)
    assert "The disk is full" in _no_room_left(tmp_path / "none")


def test_a_missing_wheel_is_reported_before_anything_is_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not in the middle."""
    run = Recorder()

    status = main(["--dry-run", "--wheel", str(tmp_path / "coldpin-1.0-py3-none-any.whl")], run)

    assert status == 69
    assert "found no wheel to install" in capsys.readouterr().out


def test_remove_is_content_with_nothing(tmp_path: Path) -> None:
    """A second removal finds nothing, and a link is removed without what it points to."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "folder")

    for _ in range(2):
        Remove(path=tmp_path / "link").do(Recorder())

    assert (tmp_path / "folder").is_dir()
    assert not (tmp_path / "link").is_symlink()


def test_the_same_version_of_another_source_is_no_reason_to_leave_it(tmp_path: Path) -> None:
    """A clone's version stands still between releases while its files change."""
    clone = tmp_path / "clone"
    (clone / "controller").mkdir(parents=True)
    (clone / "controller/a.py").write_text("one\n", encoding="utf-8")
    (clone / "pyproject.toml").write_text("", encoding="utf-8")

    before = _build_of(clone)
    again = _build_of(clone)
    (clone / "controller/a.py").write_text("two\n", encoding="utf-8")

    assert before == again
    assert _build_of(clone) != before
    assert home_of(replace(WANTED, build="1a")) != home_of(replace(WANTED, build="2b"))


def test_what_is_in_force_is_not_linked_again() -> None:
    """A second run restarts nothing."""
    assert not link_step(WANTED, in_force=True).actions
    assert link_step(WANTED, in_force=False).actions


def test_going_back_to_the_first_release_gives_it_its_requests_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new service has moved the file; the old one looks for it where it had it."""
    monkeypatch.setattr(module, "STATES", tmp_path)
    for name in ("CURRENT", "ON_PATH", "UNITS"):
        monkeypatch.setattr(module, name, tmp_path / name)
    place = tmp_path / "loft"
    (place / "requests").mkdir(parents=True)
    former, moved = place / "requests.sqlite", place / "requests/requests.sqlite"
    former.write_text("pack changes", encoding="utf-8")

    restarts = iter([1, 0])

    def run(argv: Sequence[str]) -> ProgramResult:
        if list(argv[:2]) != ["systemctl", "restart"]:
            return ProgramResult(status=0)
        status = next(restarts)
        if status:
            former.rename(moved)
        return ProgramResult(status=status)

    with pytest.raises(InstallationError, match="Went back"):
        Upgrade(MACHINE, run, lambda _: None).do([])

    assert former.read_text(encoding="utf-8") == "pack changes"


def test_a_medium_that_fills_up_in_the_middle_goes_back_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of the system is as bad as one of a command."""
    monkeypatch.setattr(module, "STATES", tmp_path)
    for name in ("CURRENT", "ON_PATH", "UNITS"):
        monkeypatch.setattr(module, name, tmp_path / name)
    runner = Recorder()
    full = Write(path=tmp_path / "file" / "below-a-file", text="x")
    (tmp_path / "file").touch()

    with pytest.raises(InstallationError, match="Went back to coldpin"):
        Upgrade(MACHINE, runner, lambda _: None).do([InstallStep(title="writes", actions=[full])])

    assert "systemctl restart coldpin@loft.service" in runner.ran


def test_what_does_not_come_back_is_not_called_running(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither version starts: the loads' supply is the last resort."""
    monkeypatch.setattr(module, "STATES", tmp_path)
    for name in ("CURRENT", "ON_PATH", "UNITS"):
        monkeypatch.setattr(module, name, tmp_path / name)

    def run(argv: Sequence[str]) -> ProgramResult:
        return ProgramResult(status=int(list(argv[:2]) == ["systemctl", "restart"]))

    with pytest.raises(InstallationError, match="did not come back: switch its loads' supply off"):
        Upgrade(MACHINE, run, lambda _: None).do([])


def test_going_back_leaves_no_file_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The records' copy is in WAL mode: opening it must not make files beside it."""
    monkeypatch.setattr(module, "STATES", tmp_path)
    for name in ("CURRENT", "ON_PATH", "UNITS"):
        monkeypatch.setattr(module, name, tmp_path / name)
    (tmp_path / "loft").mkdir()
    with closing(sqlite3.connect(tmp_path / "loft/records.sqlite")) as file, file:
        file.execute("PRAGMA journal_mode = WAL")
        file.execute("CREATE TABLE kept (row INTEGER)")

    with pytest.raises(InstallationError, match="Went back"):
        Upgrade(MACHINE, Recorder("systemctl restart coldpin@loft.service"), lambda _: None).do([])

    names = {path.name for path in (tmp_path / "loft").iterdir()}
    assert not [name for name in names if "before-upgrade" in name]


def test_what_a_machine_lacks_is_reported_at_the_end(capsys: pytest.CaptureFixture[str]) -> None:
    """It is no reason to refuse: a chamber may be described before the wires are there."""
    _say_what_next(replace(MACHINE, gpio_chips=(), has_one_wire=False, instances=()))

    out = capsys.readouterr().out
    assert "No GPIO chip here" in out
    assert "probes' bus is not there" in out


def _is_free(lock: Path) -> bool:
    with lock.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
    return True


def test_what_a_killed_installation_left_at_work_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed alone, it leaves pip behind, and a second one would write into the same folder."""
    monkeypatch.setattr(command, "LOCK", str(tmp_path / "lock"))
    with command._alone(dry=False):
        left = int(run_program(["sh", "-c", "sleep 600 >/dev/null 2>&1 & echo $!"]).output)

    try:
        with pytest.raises(InstallationError, match="wait for its end"), command._alone(dry=False):
            pass
    finally:
        os.kill(left, signal.SIGKILL)
    until(lambda: _is_free(tmp_path / "lock"), "the end of what was left")
    with command._alone(dry=False):
        pass


def test_a_full_disk_that_pip_names_is_not_blamed_on_the_network() -> None:
    """Its own words stand far above the last lines that it prints."""

    def full(_argv: Sequence[str]) -> ProgramResult:
        words = "ERROR: Could not install packages due to an OSError: [Errno 28] "
        return ProgramResult(status=1, output=f"{words}No space left on device\n")

    with pytest.raises(InstallationError, match="The disk is full") as raised:
        Command(argv=("pip",), or_else="is this machine on the network?").do(full)
    assert "network" not in str(raised.value)


def test_an_error_of_the_system_is_no_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A full card while packages are unpacked."""

    def full(*_: object, **__: object) -> int:
        raise OSError(28, "No space left on device", "/opt/coldpin/x")

    monkeypatch.setattr(command, "_install", full)
    monkeypatch.setattr(command, "_alone", lambda **_: contextlib.nullcontext())
    monkeypatch.setattr(command, "read_machine", lambda _: MACHINE)
    monkeypatch.setattr(command, "problems_of", lambda *_, **__: [])

    assert main([], run=Recorder()) == 69

    out = capsys.readouterr().out
    assert "No space left on device: '/opt/coldpin/x'" in out
    assert "run this again" in out


@pytest.mark.parametrize("options", [[], ["--dry-run"], ["--mains-is-wired"]])
def test_a_mains_load_stops_it_before_anything_is_done(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
) -> None:
    """With the cautions, also where no module is listed yet, which `check` would refuse first."""

    def no_further(*_: object) -> list[InstallStep]:
        raise InstallationError("went on")

    (tmp_path / "loft.toml").write_text('[loads.pump]\nsupply = "230 V AC"\n', encoding="utf-8")
    monkeypatch.setattr(command, "CONFIGURATIONS", tmp_path)
    monkeypatch.setattr(command, "LOCK", str(tmp_path / "lock"))
    monkeypatch.setattr(command, "read_machine", lambda _: MACHINE)
    monkeypatch.setattr(command, "preparing_steps", no_further)
    run = Recorder()

    status = main(options, run=run)

    out = capsys.readouterr().out
    assert run.ran == []
    assert ("licensed electrician" in out) is (options != ["--mains-is-wired"])
    assert f"Read {ROOT / 'hardware-notes/cautions.md'}" in out or options == ["--mains-is-wired"]
    assert ("went on" in out) is (options != [])
    assert status == (69 if options else 78)
