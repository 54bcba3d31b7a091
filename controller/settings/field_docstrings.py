"""The docstring below each field of a class: the one place where a key's meaning is written."""

from __future__ import annotations

import ast
import inspect
import textwrap
from functools import cache


@cache
def field_docstrings(source: type[object]) -> dict[str, str]:
    """Return the text below each annotated field as one line; nothing for a class made at run time.

    Args:
        source: A class whose source is at hand; fields that it inherits are not among its own.
    """
    try:
        body = ast.parse(textwrap.dedent(inspect.getsource(source))).body[0]
    except OSError:
        return {}
    assert isinstance(body, ast.ClassDef)
    return {
        field.target.id: " ".join(str(below.value.value).split())
        for field, below in zip(body.body, body.body[1:], strict=False)
        if isinstance(field, ast.AnnAssign)
        and isinstance(field.target, ast.Name)
        and isinstance(below, ast.Expr)
        and isinstance(below.value, ast.Constant)
    }


def plain_text(docstring: str) -> str:
    """Return a docstring as one line of running text, in the words of a configuration."""
    for code, plain in (("``", "`"), (" [-]", ""), ("None: ", "left out: "), ("*", "")):
        docstring = docstring.replace(code, plain)
    return " ".join(docstring.split())
