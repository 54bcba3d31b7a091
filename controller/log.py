"""structlog, which writes our log lines, without what it takes along and no line of ours needs.

The control process runs for months on a small computer, paints nothing and speaks to no network.
structlog takes rich along for coloured tracebacks and asyncio, with ssl, for loggers that are
awaited: together seven megabytes. Whoever configures it imports structlog from here, and whoever
logs takes a `Logger`: a command that writes no line does not wait for it.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import structlog

__all__ = ["Logger", "structlog"]


class Logger:
    """Writes the log lines of one name, as structlog is configured when the line is written."""

    def __init__(self, name: str) -> None:
        """Begin without structlog.

        Args:
            name: As for ``structlog.get_logger``.
        """
        self._name = name

    def __getattr__(self, method: str) -> Any:
        """Return what structlog's logger has under that name: ``info``, ``warning``, ``error``."""
        if method.startswith("__"):
            raise AttributeError(method)
        return getattr(_structlog().get_logger(self._name), method)


class _ImportedLater(ModuleType):
    """Stands for a module that is imported when something of it is asked for."""

    def __getattr__(self, name: str) -> object:
        return getattr(import_module(self.__name__), name)


def _structlog() -> ModuleType:
    """Return structlog; the first call imports it."""
    if "structlog" in sys.modules:
        return import_module("structlog")  # waits where another thread is at it
    instead: dict[str, ModuleType | None] = {
        name: module
        for name, module in (("asyncio", _ImportedLater("asyncio")), ("rich", None))
        if name not in sys.modules
    }
    sys.modules.update(instead)  # type: ignore[arg-type]  # None: structlog does without
    try:
        return import_module("structlog")
    finally:
        for name in instead:
            del sys.modules[name]


def __getattr__(name: str) -> object:
    """Return structlog by its name."""
    if name == "structlog":
        return _structlog()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
