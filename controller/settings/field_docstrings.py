"""The docstring below each field of a class: the one place where a key's meaning is written."""

from __future__ import annotations

import ast
import inspect
import sys
from functools import cache
from itertools import pairwise


@cache
def field_docstrings(source: type[object]) -> dict[str, str]:
    """Return the text below each annotated field as one line; nothing for a class made at run time.

    Args:
        source: A class of some module's, whose source is at hand; fields that it inherits are not
            among its own.
    """
    try:
        body = _classes(source.__module__)[source.__name__].body
    except (OSError, KeyError):
        return {}
    return {
        field.target.id: " ".join(str(below.value.value).split())
        for field, below in pairwise(body)
        if isinstance(field, ast.AnnAssign)
        and isinstance(field.target, ast.Name)
        and isinstance(below, ast.Expr)
        and isinstance(below.value, ast.Constant)
    }


@cache
def _classes(module: str) -> dict[str, ast.ClassDef]:
    """Return the classes of a module by their names.

    Raises:
        OSError: Its source is not there.
    """
    parsed = ast.parse(inspect.getsource(sys.modules[module]))
    return {each.name: each for each in parsed.body if isinstance(each, ast.ClassDef)}


def plain_text(docstring: str) -> str:
    """Return a docstring as one line of running text, in the words of a configuration."""
    for code, plain in (("``", "`"), (" [-]", ""), ("None: ", "left out: "), ("*", "")):
        docstring = docstring.replace(code, plain)
    return " ".join(docstring.split())
