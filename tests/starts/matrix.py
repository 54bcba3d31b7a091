"""Starts of every command in odd surroundings: streams, time zones, environment, folders for files.

Each start is a child of this process with all commands imported, so that thousands take minutes. A
start is good when it ends with words and a status of its own: never with a trace, a fault of the
program, or not at all.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sys
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from controller.cli import main as command_line
from controller.settings.shipped import shipped_config
from tests.support.broker import free_port
from tests.support.waiting import until

COMMANDS: tuple[str, ...] = (
    "--help", "--version", "", "chekc", "new n.toml", "check c.toml --wiring w.svg",
    "check c.toml --json", "check", "rehearse c.toml --days 0.02 --csv r.csv",
    "rehearse c.toml --days 0.02 --json --html r.html", "keys", "keys --json", "keys --alarms",
    "status c.toml", "status c.toml --json", "forecast c.toml", "forecast c.toml --json",
    "forecast c.toml --as-of 2026-07-01T12:00", "swap c.toml --packs 3",
    "swap c.toml --packs 3 --at 2026-07-01T12:00", "swap c.toml --undo", "stage c.toml pinning",
    "pause c.toml", "resume c.toml", "ack c.toml", "reset c.toml", "chambers c.toml",
    "chambers . --json", "report c.toml --html r.html", "report c.toml --json",
    "report c.toml --from 2026-06-30 --to 2026-07-02T12:00", "install --dry-run",
    "uninstall --dry-run", "probes --root w1", "probes --root w1 --json",
    "icepoint --root w1 --id 28-00000012d6e5 --minutes 0.1", "relays c.toml", "first-run c.toml",
    "notify c.toml --json", "off c.toml", "fit c.toml", "export c.toml --csv out.csv",
    "import c.toml --csv h.csv --local-times", "import c.toml --undo", "backup c.toml b2.tar.gz",
    "restore d.toml b.tar.gz", "restore d.toml b.tar.gz --dry-run", "lookout c.toml --new-password",
    "run c.toml", "lookout c.toml", "status c.toml --watch", "plan c.toml --no-browser --port 0",
)  # fmt: skip
"""One line for every way that a command goes; those of `SLOW` are for the whole matrix alone."""
SLOW = ("size c.toml --json",)
ASKING = ("new n.toml", "relays c.toml", "first-run c.toml")
"""Commands that read what is typed."""
UNTIL_STOPPED = (
    "run c.toml",
    "lookout c.toml",
    "status c.toml --watch",
    "plan c.toml",
    "first-run c.toml",
)
"""Commands that go on until a signal, or may wait for minutes; a second shows how they start."""
STATUSES = {0, 2, 64, 66, 69, 75, 78, 130, command_line.PIPE_CLOSED}
"""As documented; `status` may end with 1 too. None of them is 70, a fault of the program."""
POLLS_UNTIL_STOPPED, POLLS_UNTIL_KILLED = 150, 4000

Preparation = Callable[[], None]
"""Is called in the child, in a folder of its own, before the command begins."""


@dataclass(frozen=True, slots=True)
class Case:
    """A surrounding."""

    name: str
    prepare: Preparation
    matters_to: tuple[str, ...] = ()
    """Commands that the sample starts in it; empty: each in turn."""


@dataclass(frozen=True, slots=True)
class End:
    """How a start ended."""

    command: str
    case: str
    status: int
    """Less than nothing: the signal that ended it."""
    output: str
    hangs: bool = False

    @property
    def good(self) -> bool:
        """Whether it ended as it may."""
        allowed = STATUSES | ({1} if self.command.startswith("status") else set())
        stopped = self.command.startswith(UNTIL_STOPPED) and self.status in {
            -signal.SIGTERM,
            128 + signal.SIGTERM,
        }
        return (
            (self.status in allowed or stopped)
            and "Traceback" not in self.output
            and "Exception ignored" not in self.output
            and not self.hangs
        )


# --- surroundings --------------------------------------------------------------------------------


def _streams() -> Iterator[Case]:
    for numbers in ([0], [1], [2], [0, 1], [0, 2], [1, 2], [0, 1, 2]):
        yield Case(f"closed {numbers}", lambda numbers=numbers: _close(numbers))
    for numbers in ([1], [2], [1, 2]):
        yield Case(
            f"full {numbers}",
            lambda numbers=numbers: _put("/dev/full", numbers),
            ("chekc", "status c.toml", "check", "swap c.toml --packs 3"),
        )
    yield Case("stdout without a reader", lambda: _without_reader([1]))
    yield Case("no stream has a reader", lambda: _without_reader([1, 2]))
    yield Case("stdout for reading alone", lambda: _put(os.devnull, [1], os.O_RDONLY))
    yield Case("stdin for writing alone", lambda: _put(os.devnull, [0], os.O_WRONLY))
    yield Case("stdin is no text", lambda: _typed(b"\xff\xfe\x00y\n" * 50), ASKING)
    yield Case("stdin is one endless line", lambda: _typed(b"y" * 60_000), ASKING)
    yield Case("stdin says yes", lambda: _typed(b"yes\n" * 200), ASKING)
    yield Case(
        "stdout is ASCII",
        lambda: os.environ.update(PYTHONIOENCODING="ascii"),
        ("status c.toml", "report c.toml --json", "check c.toml --wiring w.svg"),
    )


def _close(numbers: list[int]) -> None:
    for number in numbers:
        os.close(number)


def _put(path: str, numbers: list[int], flags: int = os.O_RDWR) -> None:
    opened = os.open(path, flags)
    for number in numbers:
        os.dup2(opened, number)


def _without_reader(numbers: list[int]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    for number in numbers:
        os.dup2(writing, number)


def _typed(content: bytes) -> None:
    Path("typed").write_bytes(content)
    _put("typed", [0], os.O_RDONLY)


ZONES = (
    "", ":", "../../etc/passwd", ":../../etc/passwd", "/etc/passwd", "UTC-25", "UTC+25", "<X>-99",
    "<X>167:59:59", "/not/there", ":/not/there", "nonsense/zone", "A" * 5000, "\udcff", "a\nb",
    "/usr/share/zoneinfo", "/dev/null", "Europe/London", "America/St_Johns", "X0Y,M13.9.9,M0.0.0",
    "EST5EDT,M3.2.0/-168,M11.1.0/168",
)  # fmt: skip


def _zones() -> Iterator[Case]:
    for zone in ZONES:
        yield _with(f"TZ={zone[:40]!a}", TZ=zone)
    yield _with("TZDIR is no folder", TZDIR="/etc/passwd", TZ="Europe/London")


def _environment() -> Iterator[Case]:
    yield Case("an empty environment", os.environ.clear)
    for name, value in (
        ("HOME", ""), ("HOME", "/dev/null"), ("HOME", "relative"), ("COLUMNS", "x"),
        ("COLUMNS", "0"), ("COLUMNS", "-5"), ("COLUMNS", "9" * 30), ("TERM", "\udcff"),
        ("LANG", "nonsense"), ("LC_ALL", "C"), ("NO_COLOR", "1"), ("FORCE_COLOR", "1"),
        ("STATE_DIRECTORY", ""), ("STATE_DIRECTORY", "/dev/null/state"),
        ("STATE_DIRECTORY", "c.toml"), ("STATE_DIRECTORY", "/proc/state"),
        ("STATE_DIRECTORY", "\udcff"), ("STATE_DIRECTORY", "s" * 300),
        ("RUNTIME_DIRECTORY", "c.toml"), ("RUNTIME_DIRECTORY", "/not/there"),
        ("XDG_STATE_HOME", "c.toml"), ("TMPDIR", "/not/there"), ("NOTIFY_SOCKET", "nonsense"),
        ("NOTIFY_SOCKET", "/not/there"), ("WATCHDOG_USEC", "x"), ("WATCHDOG_USEC", "-1"),
        ("CREDENTIALS_DIRECTORY", "/not/there"), ("LISTEN_FDS", "x"),
    ):  # fmt: skip
        yield _with(f"{name}={value[:20]!a}", **{name: value})
    yield Case("XDG_STATE_HOME is a file", _state_home_is_a_file, ("forecast c.toml", "run c.toml"))
    yield Case("the folder is gone", _without_folder)


def _with(name: str, **environment: str) -> Case:
    return Case(name, lambda: os.environ.update(environment))


def _state_home_is_a_file() -> None:
    del os.environ["STATE_DIRECTORY"]
    os.environ["XDG_STATE_HOME"] = str(Path("c.toml").absolute())


def _without_folder() -> None:
    place = Path.cwd()
    (place.parent / "gone").mkdir()
    os.chdir(place.parent / "gone")
    (place.parent / "gone").rmdir()


KEPT = (
    "status.json", "requests", "requests/requests.sqlite", "records.sqlite", "records.sqlite-wal",
    "records.sqlite-shm", "kept-timers.json", "kept-alarms.json", "kept-warming.json",
    "forecast.json", "lookout-secret.json", "mqtt-asked.json", "mqtt-events.json", "page.json",
    "notices.json", "first-run.json",
)  # fmt: skip
GIVEN = (
    "c.toml", "d.toml", "n.toml", "h.csv", "b.tar.gz", "b2.tar.gz", "w.svg", "r.csv", "r.html",
    "out.csv", "relay-modules.toml", "species.toml", "c-fit.toml", "w1",
)  # fmt: skip
"""What the commands of `COMMANDS` name, and what they look for beside their configuration."""


def _folders() -> Iterator[Case]:
    for name in KEPT:
        yield Case(f"folder: state/{name}", lambda name=name: _folder(Path("state", name)))
    for name in GIVEN:
        yield Case(f"folder: {name}", lambda name=name: _folder(Path(name)))
        yield Case(f"rubbish: {name}", lambda name=name: _rubbish(Path(name)))
        yield Case(f"link to itself: {name}", lambda name=name: _loop(Path(name)))
    for name in KEPT:
        yield Case(f"rubbish: state/{name}", lambda name=name: _rubbish(Path("state", name)))
        yield Case(f"link to itself: state/{name}", lambda name=name: _loop(Path("state", name)))
    yield Case("the state directory is a file", lambda: _rubbish(Path("state")))
    yield Case("every file is a folder", lambda: [_folder(Path("state", name)) for name in KEPT])


def _removed(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
    path.parent.mkdir(parents=True, exist_ok=True)


def _folder(path: Path) -> None:
    _removed(path)
    path.mkdir()


def _rubbish(path: Path) -> None:
    _removed(path)
    path.write_bytes(bytes(range(256)) * 16)


def _loop(path: Path) -> None:
    _removed(path)
    path.symlink_to(path.name)


def cases() -> dict[str, tuple[Case, ...]]:
    """Return every surrounding, by its kind."""
    return {
        "streams": tuple(_streams()),
        "zones": tuple(_zones()),
        "environment": tuple(_environment()),
        "folders": tuple(_folders()),
    }


def whole() -> Iterator[tuple[str, Case]]:
    """Return every command in every surrounding, the slow ones in streams alone."""
    for kind, each in cases().items():
        for case in each:
            for command in (*COMMANDS, *(SLOW if kind == "streams" else ())):
                yield command, case


def sample() -> Iterator[tuple[str, Case]]:
    """Return every surrounding, with a command that names its file where there is one.

    Over all of them each command has its turn several times.
    """
    turn = 0
    for each in cases().values():
        for case in each:
            file = case.name.rpartition(" ")[2]
            fitting = [one for one in COMMANDS if file in one.split()] or COMMANDS
            for command in case.matters_to or [fitting[turn % len(fitting)]]:
                yield command, case
            turn += 1


# --- starts --------------------------------------------------------------------------------------

ROWS = "time,air_c,reservoir_c,room_c,pump,fan,swap_packs\n" + "".join(
    f"2026-07-01T{minute // 60:02}:{minute % 60:02}:00+00:00,16.{minute % 9},5.2,22,1,1,\n"
    for minute in range(0, 1200, 5)
)


class Starts:
    """Starts commands, each in a fresh copy of one folder with a chamber and its records."""

    def __init__(self, folder: Path) -> None:
        """Import every command and make the chamber.

        Args:
            folder: Empty, and this object's own.
        """
        for module in set(command_line.COMMANDS.values()):
            import_module(module)
        self._folder = folder
        self._template = folder / "template"
        (self._template / "state").mkdir(parents=True)
        (self._template / "w1").mkdir()
        config = shipped_config("larkmoor-laptop.toml").read_text(encoding="utf-8")
        config += f"\n[lookout]\nport = {free_port()}\n"
        (self._template / "c.toml").write_text(config, encoding="utf-8")
        (self._template / "h.csv").write_text(ROWS, encoding="utf-8")
        for command in (
            "import c.toml --csv h.csv",
            "swap c.toml --packs 4",
            "backup c.toml b.tar.gz",
        ):
            end = self.start(command, Case("as usual", lambda: None), within=self._template)
            assert end.status in {0, 75}, end
        (self._template / "h.csv").write_text(ROWS.replace("-07-", "-08-"), encoding="utf-8")

    def start(self, command: str, case: Case, *, within: Path | None = None) -> End:
        """Return how a command ends in a surrounding."""
        place = within or self._folder / "place"
        if within is None:
            shutil.rmtree(place, ignore_errors=True)
            shutil.copytree(self._template, place)
        written = self._folder / "written"
        pid = os.fork()
        if not pid:
            _become(command, case, place, written)
        polls, status = 0, 0

        def ended() -> bool:
            nonlocal polls, status
            polls += 1
            if polls == POLLS_UNTIL_STOPPED and command.startswith(UNTIL_STOPPED):
                os.kill(pid, signal.SIGTERM)
            if polls == POLLS_UNTIL_KILLED:
                os.kill(pid, signal.SIGKILL)
            done, status = os.waitpid(pid, os.WNOHANG)
            return done != 0

        until(ended, f"{command}: {case.name}")
        return End(
            command=command,
            case=case.name,
            status=os.waitstatus_to_exitcode(status),
            output=written.read_text(encoding="utf-8", errors="replace"),
            hangs=polls >= POLLS_UNTIL_KILLED,
        )


def _become(command: str, case: Case, place: Path, written: Path) -> None:
    """Be a fresh process that was called with a command; never returns."""
    status = 99
    try:
        os.setsid()
        os.chdir(place)
        os.environ["STATE_DIRECTORY"] = str(place / "state")
        os.environ["COLUMNS"] = "80"
        output = os.open(written, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND)
        _put(os.devnull, [0])
        for number in (1, 2):
            os.dup2(output, number)
        case.prepare()
        _take_streams()
        sys.argv = ["coldpin", *command.split()]
        try:
            command_line.main()
            status = 0
        except SystemExit as error:
            status = error.code if isinstance(error.code, int) else 1
        for stream in (sys.stdout, sys.stderr):
            stream.flush()  # as the interpreter does, and ends with 120 where it cannot
    except BaseException:  # noqa: BLE001 - whatever it is, it is reported as it would be seen
        with contextlib.suppress(BaseException):
            os.write(output, traceback.format_exc().encode("utf-8", "replace"))
        status = 120
    finally:
        os._exit(status)


def _take_streams() -> None:
    """Give Python's streams their files, as its start does: none where a file is closed."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        try:
            os.fstat(number)
            stream = os.fdopen(
                number, mode, encoding=os.environ.get("PYTHONIOENCODING", "utf-8"), closefd=False,
                errors="backslashreplace" if name == "stderr" else "strict",
            )  # fmt: skip
        except OSError:
            stream = None
        setattr(sys, name, stream)
        setattr(sys, f"__{name}__", stream)
