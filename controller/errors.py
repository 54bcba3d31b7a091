"""The exception tree; one file so that no folder must import another for it."""

from __future__ import annotations


class ControllerError(Exception):
    """Base of every error that coldpin raises on purpose."""


def words_of(error: BaseException) -> str:
    """Return what an error says; its type's name where it says nothing or cannot say it.

    A third party's error may raise even when it is asked for its text.
    """
    try:
        return str(error) or type(error).__name__
    except Exception:  # noqa: BLE001 - whoever reports an error must not fail by it
        return type(error).__name__


class SettingsError(ControllerError, ValueError):
    """The configuration cannot be used; carries every problem found, one line each."""

    def __init__(self, where: str, problems: tuple[str, ...]) -> None:
        self.where = where
        self.problems = problems
        super().__init__(where, problems)  # both, so that it can be pickled

    def __str__(self) -> str:
        return "\n".join((f"{self.where}: {len(self.problems)} problem(s)", *self.problems))


class InputFileError(SettingsError):
    """A file that the command line names as input cannot be used; carries every problem found."""


class MissingPackageError(ControllerError, ImportError):
    """A command needs a Python package that is not installed."""


class OutputError(ControllerError, OSError):
    """A relay could not be opened, switched or read back."""


class StillOnError(OutputError):
    """A load that a tool had on could not be switched off; a person must cut its supply."""


class UnknownDriverError(ControllerError, LookupError):
    """No single output driver is registered under the name given."""


class ProbeError(ControllerError, OSError):
    """A place where temperatures come from cannot be used at all (not: one bad reading)."""


class ScenarioError(ControllerError, ValueError):
    """A rehearsal's scenario file or plant cannot be used."""


class RecordError(ControllerError, ValueError):
    """A record does not tell what is asked of it."""


class PhysicsError(ControllerError, ValueError):
    """A physical quantity lies outside the range in which the formula holds."""


class BusyError(ControllerError, OSError):
    """Another process already controls this chamber."""


class NoAnswerError(ControllerError):
    """The service runs, but does not answer what it was asked."""


class NotDoneError(ControllerError):
    """The service answered that it does not do what it was asked."""
