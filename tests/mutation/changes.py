"""Small faults for a module, one at a time: what a tired programmer might have written."""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """One fault in one module."""

    line: int
    what: str
    """The expression before and after."""
    source: str
    """The whole module with it."""


def changes_of(source: str) -> Iterator[Change]:
    """Yield every fault that can be put into a module, from its top to its end."""
    tree = ast.parse(source)
    nodes = [node for node in ast.walk(tree) if hasattr(node, "lineno")]
    skipped = {id(part) for node in ast.walk(tree) for part in _texts_for_people(node)}
    for index, node in enumerate(nodes):
        if id(node) in skipped:
            continue
        for number, faulty in enumerate(_variants(node)):
            yield _change(tree, index, number, node, faulty)


def _change(tree: ast.Module, index: int, number: int, node: ast.AST, faulty: ast.AST) -> Change:
    changed = copy.deepcopy(tree)
    target = [each for each in ast.walk(changed) if hasattr(each, "lineno")][index]
    replacement = list(_variants(target))[number]
    for parent in ast.walk(changed):
        for name, value in ast.iter_fields(parent):
            if value is target:
                setattr(parent, name, replacement)
            elif isinstance(value, list):
                setattr(parent, name, [replacement if each is target else each for each in value])
    text = ast.unparse(ast.fix_missing_locations(changed))
    what = f"{_short(node)}  ->  {_short(faulty)}"
    return Change(line=node.lineno, what=what, source=text)  # type: ignore[attr-defined]


def _short(node: ast.AST) -> str:
    text = " ".join(ast.unparse(ast.fix_missing_locations(copy.deepcopy(node))).split())
    return text if len(text) <= 70 else f"{text[:67]}..."


def _texts_for_people(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what is no behaviour: annotations, decorators, and arguments of a raised error."""
    if isinstance(node, ast.FunctionDef):
        parts: list[ast.AST | None] = [*node.decorator_list, node.returns]
        parts += [each.annotation for each in [*node.args.args, *node.args.kwonlyargs]]
    elif isinstance(node, ast.ClassDef):  # tests/test_layering.py holds frozen and slots
        parts = list(node.decorator_list)
    elif isinstance(node, ast.AnnAssign):
        parts = [node.annotation]
    elif isinstance(node, ast.Raise):
        parts = [node.exc]
    else:
        return
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
        case ast.Return(value=ast.expr() as value) if not _is_none(value):
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


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None
