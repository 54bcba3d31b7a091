"""structlog, which writes our log lines, without what it takes along and no line of ours needs.

The control process runs for months on a small computer, paints nothing and speaks to no network.
structlog takes rich along for coloured tracebacks and asyncio, with ssl, for loggers that are
awaited: together seven megabytes. Whoever logs imports structlog from here.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType

__all__ = ["structlog"]


class _ImportedLater(ModuleType):
    """Stands for a module that is imported when something of it is asked for."""

    def __getattr__(self, name: str) -> object:
        return getattr(import_module(self.__name__), name)


def _import_structlog() -> None:
    instead: dict[str, ModuleType | None] = {
        name: module
        for name, module in (("asyncio", _ImportedLater("asyncio")), ("rich", None))
        if name not in sys.modules
    }
    sys.modules.update(instead)  # type: ignore[arg-type]  # None: structlog does without
    try:
        import_module("structlog")
    finally:
        for name in instead:
            del sys.modules[name]


_import_structlog()
import structlog  # noqa: E402 - as the types of this module
