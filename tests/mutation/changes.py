"""Small faults for a module, one at a time: what a tired programmer might have written."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip

OPTIONS = {("zip", "strict"), ("field", "kw_only"), ("field", "repr"), ("ConfigDict", "frozen")}
"""Arguments of calls that change nothing a sound program does."""


@dataclass(frozen=True, slots=True)
class Change:
    """One fault in one module."""

    line: int
    what: str
    """The expression before and after."""
    function: str | None
    """The outermost function, or method, in whose body it stands; None: it runs at import."""
    binds: str
    """The name that the statement around it defines at the module's top, or in a class there."""
    module: str
    index: int
    number: int

    @property
    def source(self) -> str:
        """The whole module with the fault in it."""
        changed = ast.parse(self.module)
        target = _placed(changed)[self.index]
        replacement = list(_variants(target))[self.number]
        for parent in ast.walk(changed):
            for name, value in ast.iter_fields(parent):
                if value is target:
                    setattr(parent, name, replacement)
                elif isinstance(value, list):
                    whole = [replacement if each is target else each for each in value]
                    setattr(parent, name, whole)
        return ast.unparse(ast.fix_missing_locations(changed))


def changes_of(source: str) -> Iterator[Change]:
    """Yield every fault that can be put into a module, from its top to its end."""
    tree = ast.parse(source)
    skipped = {id(part) for node in ast.walk(tree) for part in _no_behaviour(node)}
    places = dict(_places(tree, None, "", ()))
    for index, node in enumerate(_placed(tree)):
        if id(node) in skipped:
            continue
        function, binds = places[id(node)]
        for number, faulty in enumerate(_variants(node)):
            what = f"{_short(node)}  ->  {_short(faulty)}"
            yield Change(node.lineno, what, function, binds, source, index, number)


def _placed(tree: ast.Module) -> list[Any]:
    return [node for node in ast.walk(tree) if hasattr(node, "lineno")]


def _places(
    node: ast.AST, function: str | None, binds: str, classes: tuple[str, ...]
) -> Iterator[tuple[int, tuple[str | None, str]]]:
    """Yield the id of each node below this one, with its function and the name it helps define."""
    for field, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST):
                continue
            inner, name, within = function, binds, classes
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and function is None:
                name = node.name
                if field == "body":
                    inner = ".".join((*classes, node.name))
            elif function is None and isinstance(child, ast.Assign | ast.AnnAssign):
                targets = child.targets if isinstance(child, ast.Assign) else [child.target]
                name = next((each.id for each in targets if isinstance(each, ast.Name)), binds)
            elif isinstance(child, ast.ClassDef) and function is None:
                name, within = child.name, (*classes, child.name)
            yield id(child), (inner, name)
            yield from _places(child, inner, name, within)


def _short(node: ast.AST) -> str:
    text = " ".join(ast.unparse(ast.fix_missing_locations(copy.deepcopy(node))).split())
    return text if len(text) <= 70 else f"{text[:67]}..."


def _no_behaviour(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what no run can show: annotations, options of classes, arguments of a raised error.

    tests/test_layering.py holds that classes are frozen and have slots; which error is raised is
    a behaviour, its wording is none. A ``strict`` of `zip` guards against the programmer.
    """
    parts: list[ast.AST | None] = []
    match node:
        case ast.FunctionDef() | ast.AsyncFunctionDef():
            parts = [*node.decorator_list, node.returns]
        case ast.arg() | ast.AnnAssign():
            parts = [node.annotation]
        case ast.ClassDef():
            parts = [*node.decorator_list, *(keyword.value for keyword in node.keywords)]
        case ast.Raise():
            parts = [node.exc]
        case ast.Assign(targets=[ast.Name(id="__all__")]):
            parts = [node.value]
        case ast.If(test=ast.Name(id="TYPE_CHECKING")):
            parts = [node, *node.body]
        case ast.If(test=ast.Compare(left=ast.Name(id="__name__"))):
            parts = [node, *node.body]
        case ast.Call(func=ast.Name(id=called)):
            parts = [keyword.value for keyword in node.keywords if (called, keyword.arg) in OPTIONS]
    for part in parts:
        if part is not None:
            yield from ast.walk(part)


def _variants(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the faulty forms of one node."""
    match node:
        case ast.Compare(ops=[op]) if type(op) in COMPARISONS:
            yield ast.copy_location(
                ast.Compare(node.left, [COMPARISONS[type(op)]()], node.comparators), node
            )
        case ast.BinOp(op=op) if type(op) in ARITHMETIC and not _joins_texts(node):
            yield ast.copy_location(ast.BinOp(node.left, ARITHMETIC[type(op)](), node.right), node)
        case ast.BoolOp(op=op, values=values):
            other = ast.Or() if isinstance(op, ast.And) else ast.And()
            yield ast.copy_location(ast.BoolOp(other, values), node)
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield operand
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            yield operand
        case ast.Constant(value=bool() as value):
            yield ast.copy_location(ast.Constant(not value), node)
        case ast.Constant(value=int() | float() as value):
            yield ast.copy_location(ast.Constant(value + 1 if value in {0, 1} else value * 2), node)
        case ast.If(test=test):
            turned = ast.UnaryOp(ast.Not(), test)
            yield ast.copy_location(ast.If(turned, node.body, node.orelse), node)
        case ast.Expr(value=ast.Call()):
            yield ast.copy_location(ast.Pass(), node)
        case ast.Return(value=ast.expr() as value) if not _counts_as_none(value):
            yield ast.copy_location(ast.Return(ast.Constant(None)), node)
        case ast.Continue():
            yield ast.copy_location(ast.Break(), node)
        case _:
            return


def _joins_texts(node: ast.BinOp) -> bool:
    return any(
        isinstance(side, ast.JoinedStr)
        or (isinstance(side, ast.Constant) and isinstance(side.value, str))
        for side in (node.left, node.right)
    )


def _counts_as_none(node: ast.expr) -> bool:
    """Return whether it is None, or False, for which True is the fault to try."""
    return isinstance(node, ast.Constant) and (node.value is None or node.value is False)
