"""The ``coldpin`` command: finds the command asked for and turns errors into exit statuses.

Statuses beyond 0 follow sysexits(3): 64 wrong usage, a wrong name on the command line included, 66
an input file that cannot be used, 69 hardware, a record or a package not there, 70 a fault of the
program, 75 try again later, 78 a configuration that cannot be used.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import gc
import io
import os
import signal
import sys
import traceback
from importlib import import_module
from types import ModuleType

import click

from controller.errors import (
    BusyError,
    ControllerError,
    InputFileError,
    NoAnswerError,
    NotDoneError,
    ScenarioError,
    SettingsError,
)
from controller.system_zone import follow_system_zone

EX_USAGE, EX_NOINPUT, EX_UNAVAILABLE = os.EX_USAGE, os.EX_NOINPUT, os.EX_UNAVAILABLE
EX_SOFTWARE, EX_TEMPFAIL, EX_CONFIG = os.EX_SOFTWARE, os.EX_TEMPFAIL, os.EX_CONFIG
NO_ROOM = (errno.ENOSPC, errno.EDQUOT)
NO_SUCH_PLACE = (
    errno.EEXIST, errno.EISDIR, errno.ELOOP, errno.ENAMETOOLONG, errno.ENOENT, errno.ENOTDIR,
    errno.EROFS,
)  # fmt: skip
"""Something else lies where a file or a folder of the chamber should: no fault of the program."""
PIPE_CLOSED = 128 + signal.SIGPIPE
"""As a shell shows a program that a closed pipe ended."""

COMPLETION = "_COLDPIN_COMPLETE"
"""In the environment while a shell asks for completions, or for the script that makes it ask."""

COMMANDS = {
    "new": "controller.cli.new",
    "plan": "controller.cli.plan",
    "check": "controller.cli.check",
    "rehearse": "controller.cli.rehearse",
    "run": "controller.cli.run",
    "off": "controller.cli.off",
    "status": "controller.cli.status",
    "swap": "controller.cli.requests",
    "stage": "controller.cli.requests",
    "pause": "controller.cli.requests",
    "resume": "controller.cli.requests",
    "ack": "controller.cli.requests",
    "reset": "controller.cli.requests",
    "lookout": "controller.cli.lookout",
    "chambers": "controller.cli.chambers",
    "report": "controller.cli.report",
    "notify": "controller.cli.notify",
    "forecast": "controller.cli.forecast",
    "fit": "controller.cli.fit",
    "backup": "controller.cli.backup",
    "restore": "controller.cli.backup",
    "import": "controller.cli.import_",
    "export": "controller.cli.export",
    "probes": "controller.cli.probes",
    "icepoint": "controller.cli.icepoint",
    "relays": "controller.cli.relays",
    "first-run": "controller.cli.first_run",
    "size": "controller.cli.size",
    "install": "controller.cli.install",
    "uninstall": "controller.cli.install",
    "keys": "controller.cli.keys",
}
"""Where each command lives. A module is imported when its command is asked for, so that the
control process never pays for what the others need."""


HELP = {
    "Plan": {
        "new": "Ask about a chamber, judge it, and write its configuration.",
        "plan": "Plan a chamber on a page, and see each change on hot days.",
        "check": "Check CONFIGS: list every problem, or show what each will do.",
        "size": "Say whether the equipment of CONFIG holds its crop on a hot day.",
        "rehearse": "Run the control of CONFIG through simulated days, in seconds.",
        "keys": "List every key that a configuration may hold.",
    },
    "Every day": {
        "status": "Show how the chamber of CONFIG is now.",
        "forecast": "Say when to change packs, and plan the next two days.",
        "swap": "Log a pack change: spent packs out, frozen ones in.",
        "stage": "Change to the band of the stage NAME.",
        "pause": "Stop pump and fan while hands are in the chamber.",
        "resume": "End a pause.",
        "ack": "Mark ALARM, or every active alarm, as seen.",
        "reset": "End a lockout, once the loop has been checked.",
        "chambers": "List several chambers, the one that needs attention first.",
        "report": "Sum up a day or a crop of CONFIG.",
    },
    "Set up": {
        "install": "Install as a service on this machine; run it with sudo.",
        "uninstall": "Switch the outputs off and remove the service.",
        "probes": "List the thermometers on the 1-Wire bus and what each reads.",
        "icepoint": "Check a probe in an ice bath and propose its offset.",
        "relays": "Switch each load of CONFIG by itself and ask what happened.",
        "first-run": "Go through the first start of CONFIG step by step, and sign it.",
        "notify": "Send a notice now, through every service that CONFIG names.",
    },
    "Services": {
        "run": "Control the chamber of CONFIG until stopped.",
        "lookout": "Serve the page of CONFIG, with forecasts and notices.",
        "off": "Switch every output of CONFIG off and leave it off.",
    },
    "Records": {
        "fit": "Learn the figures of your equipment from a week of records.",
        "export": "Write readings, switching and pack changes to a CSV file.",
        "import": "Add a CSV file to the records of CONFIG, which must be stopped.",
        "backup": "Write CONFIG, its records and requests to FILE, while it runs.",
        "restore": "Put the backup FILE in place of CONFIG, which must be stopped.",
    },
}
"""What ``coldpin --help`` prints, so that it imports no command: the first sentence of each."""

_NAMES = {"import": "import_", "first-run": "first_run"}
"""Commands whose names Python has no function for."""


def _imported(name: str) -> ModuleType:
    """Return a module, imported without looking for garbage meanwhile.

    What an import makes stays to the end of the process, and looking through all of it again and
    again as it grows took a seventh of the start of `coldpin status`.
    """
    if name in sys.modules:
        return sys.modules[name]
    gc.disable()
    try:
        return import_module(name)
    finally:
        gc.enable()


class _Commands(click.Group):
    """The commands of `COMMANDS`, imported on demand."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's interface
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(
            _imported(COMMANDS[cmd_name]), _NAMES.get(cmd_name, cmd_name)
        )
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args[0] not in COMMANDS and not args[0].startswith("-"):
            from difflib import get_close_matches  # noqa: PLC0415 - a misspelt name is rare

            near = get_close_matches(args[0], COMMANDS, n=1)
            hint = f"Did you mean `coldpin {near[0]}`? " if near else ""
            raise click.UsageError(
                f"found no command `{args[0]}`. {hint}`coldpin --help` lists them all.", ctx
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands by what they are for, each with its line of `HELP`."""
        width = max(map(len, COMMANDS))
        for purpose, lines in HELP.items():
            with formatter.section(purpose):
                formatter.write_dl([(f"{name:{width}}", line) for name, line in lines.items()])


def _print_versions(ctx: click.Context, _option: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from controller.cli.versions import version_lines  # noqa: PLC0415 - as each command's module

    click.echo("\n".join(version_lines()))
    ctx.exit()


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_print_versions,
    help="Show which version is installed, and which one runs.",
)  # fmt: skip
def coldpin() -> None:
    """Keep a mushroom fruiting chamber cool on cold water and ice packs."""


def main() -> None:
    """Run a command and leave with its exit status."""
    _open_closed_streams()
    _take_any_character()
    _narrow_umask()
    _take_zone()
    status = status_of(sys.argv[1:])
    lost = _flushed()
    if lost is not None and status == 0:
        _complain(_lost_words(lost))
        status = EX_TEMPFAIL
    sys.exit(status)


def _open_closed_streams() -> None:
    """Put the null device where the caller closed a standard stream, or opened it the wrong way.

    Without it the next file that is opened, a database perhaps, gets the stream's number, and log
    lines are written into it.
    """
    streams = ((0, "stdin", "r", os.O_WRONLY), (1, "stdout", "w", os.O_RDONLY),
               (2, "stderr", "w", os.O_RDONLY))  # fmt: skip
    for number, name, mode, wrong_way in streams:
        try:
            usable = fcntl.fcntl(number, fcntl.F_GETFL) & os.O_ACCMODE != wrong_way
        except OSError:
            usable = False
        if not usable:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, mode, encoding="utf-8", closefd=False))


def _take_any_character() -> None:
    """Let a character that a stream's encoding has not become a question mark.

    A terminal of another encoding, or a script that pipes something else in, ended with a trace.
    """
    for stream in (sys.stdin, sys.stdout):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _take_zone() -> None:
    if sys.argv[1:2] == ["off"]:
        return  # it shows no time, and the zone's file may be on a card that fails
    if not follow_system_zone() and sys.argv[1:2] not in (["run"], ["lookout"]):
        words = "The time zone of this machine cannot be used: see TZ and /etc/localtime. Times are"
        _complain(f"{words} UTC.")


def _narrow_umask() -> None:
    """Let no file of ours be written by others, whatever the shell allows.

    What the two services keep is not read by others either, as under systemd.
    """
    if sys.argv[1:2] and sys.argv[1] in {"run", "lookout", "off"}:
        os.umask(0o027)
    else:
        os.umask(os.umask(0o022) | 0o022)


def _flushed() -> OSError | None:
    """Write what is left; return why standard output had no room for it, None where all is well.

    The interpreter flushes both streams once more at its end, and makes the status 120 where that
    fails. A log whose reader ended is no fault of the control process, so what nobody reads is
    dropped, and the exit status stays the command's own.
    """
    lost: OSError | None = None
    for stream in (sys.stderr, sys.stdout):
        try:
            stream.flush()
        except OSError as error:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
            lost = error if stream is sys.stdout and error.errno in NO_ROOM else None
    return lost


def _lost_words(error: OSError) -> str:
    return f"Not all could be written: {error.strerror}. Free some room and run it again."


def status_of(arguments: list[str]) -> int:
    """Run a command and return its exit status, with one plain message for every error.

    A fault of the program is printed with its trace, and is none of the statuses that mean
    something: 1 would tell a script that an alarm stands.
    """
    try:
        return _status_of(arguments)
    except PermissionError as error:
        from controller.domain.places import why_not_allowed  # noqa: PLC0415 - rare

        _complain(why_not_allowed(error.filename))
        return EX_CONFIG
    except OSError as error:
        if error.errno in NO_ROOM:
            _complain(_lost_words(error))
            return EX_TEMPFAIL
        if error.errno in NO_SUCH_PLACE and error.filename is not None:
            _complain(f"found {error.filename}, which cannot be used: {error.strerror}")
            return EX_UNAVAILABLE
        return _at_fault()
    except Exception:  # noqa: BLE001 - the last resort of every command
        return _at_fault()


def _at_fault() -> int:
    with contextlib.suppress(Exception):
        traceback.print_exc()
        _complain("This is a fault of coldpin, not of your input.")
    return EX_SOFTWARE


def _complain(text: str) -> None:
    """Say what is wrong, where anybody can read it; the exit status says it too."""
    with contextlib.suppress(OSError):
        click.echo(text, err=True)


def _status_of(arguments: list[str]) -> int:
    try:
        outcome = coldpin.main(arguments, prog_name="coldpin", standalone_mode=False)
    except click.ClickException as error:
        with contextlib.suppress(OSError):
            error.show()
        return EX_USAGE
    except click.Abort:
        _complain("stopped")
        return 130
    except SettingsError as error:
        _complain("\n  ".join([f"{error.where} cannot be used:", *error.problems]))
        return EX_NOINPUT if isinstance(error, InputFileError) else EX_CONFIG
    except ScenarioError as error:
        _complain(str(error))
        return EX_CONFIG
    except (BusyError, NoAnswerError, NotDoneError) as error:
        _complain(str(error))
        return EX_TEMPFAIL
    except ControllerError as error:
        _complain(str(error))
        return EX_UNAVAILABLE
    except SystemExit as error:
        # no command ends so: click does, after it printed what the shell asked for, and click and
        # rich where their output has lost its reader, by 1, which of `coldpin status` is an alarm
        return 0 if COMPLETION in os.environ and not error.code else PIPE_CLOSED
    return outcome if isinstance(outcome, int) else 0
