"""Mutation bench: the small faults that are planted, one at a time, in a module's syntax tree.

Left alone: words for people (f-strings, texts with blanks, what a raise says), docstrings, types, decorators, imports.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

Change = Callable[[], Callable[[], None]]  # plants the fault, returns what takes it out again

_COMPARE: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Div,
    ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.BitXor: ast.BitOr,
    ast.LShift: ast.RShift, ast.RShift: ast.LShift,
}  # fmt: skip
_UNSEEN = frozenset(("annotation", "returns", "decorator_list"))
_CONDITIONS = (ast.If, ast.While, ast.IfExp)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One planted fault. ``line``: its number in the original; ``text``: that line; ``source``: the whole module."""

    line: int
    text: str
    change: str
    source: str


def mutants_of(source: str) -> Iterator[Mutant]:
    """Every mutant of a module, in the order of its lines."""
    tree, lines = ast.parse(source), source.splitlines()
    found = sorted(_faults(tree, within=False), key=lambda fault: (fault[0], fault[1]))
    for line, words, plant in found:
        take_out = plant()
        mutated = ast.unparse(ast.fix_missing_locations(tree))
        take_out()
        yield Mutant(line, lines[line - 1].strip(), words, mutated + "\n")


def _faults(node: ast.AST, *, within: bool) -> Iterator[tuple[int, str, Change]]:
    """``within``: inside a function, where statements may be left out."""
    if isinstance(node, ast.JoinedStr | ast.Import | ast.ImportFrom) or _is_docstring(node):
        return
    yield from _here(node)
    inside = within or isinstance(node, ast.FunctionDef)
    for name, value in ast.iter_fields(node):
        if name in _UNSEEN or isinstance(node, ast.Raise):
            continue
        for place, child in enumerate(value if isinstance(value, list) else [value]):
            if not isinstance(child, ast.AST):
                continue
            if inside and isinstance(value, list) and isinstance(child, ast.stmt) and _may_go(child):
                yield child.lineno, f"without: {_short(child)}", _swap_item(value, place, ast.Pass())
            yield from _faults(child, within=inside)


def _is_docstring(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _may_go(statement: ast.stmt) -> bool:
    if isinstance(statement, ast.Expr):
        return isinstance(statement.value, ast.Call)
    if isinstance(statement, ast.Assign):
        return not all(isinstance(target, ast.Name) for target in statement.targets)
    return isinstance(statement, ast.AugAssign | ast.Delete | ast.Raise)


def _here(node: ast.AST) -> Iterator[tuple[int, str, Change]]:
    if isinstance(node, ast.Compare):
        yield from _comparisons(node)
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _ARITHMETIC:
        other = _ARITHMETIC[type(node.op)]()
        yield node.lineno, f"{_name(node.op)} -> {_name(other)} in {_short(node)}", _swap(node, "op", other)
    elif isinstance(node, ast.BoolOp):
        swapped = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield node.lineno, f"{_name(node.op)} -> {_name(swapped)} in {_short(node)}", _swap(node, "op", swapped)
    elif isinstance(node, ast.Return) and node.value is not None and _short(node.value) != "None":
        yield node.lineno, f"return None, not {_short(node.value)}", _swap(node, "value", ast.Constant(None))
    elif isinstance(node, ast.Constant):
        yield from _constants(node)
    elif isinstance(node, ast.Break | ast.Continue):
        return
    yield from _conditions(node)


def _comparisons(node: ast.Compare) -> Iterator[tuple[int, str, Change]]:
    for place, operator in enumerate(node.ops):
        for other in _COMPARE[type(operator)]:
            words = f"{_name(operator)} -> {_name(other())} in {_short(node)}"
            yield node.lineno, words, _swap_item(node.ops, place, other())


def _conditions(node: ast.AST) -> Iterator[tuple[int, str, Change]]:
    """A condition that is no comparison, turned round."""
    if isinstance(node, _CONDITIONS) and not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp):
        yield node.test.lineno, f"not {_short(node.test)}", _swap(node, "test", ast.UnaryOp(ast.Not(), node.test))
    if isinstance(node, ast.comprehension):
        for place, test in enumerate(node.ifs):
            if not isinstance(test, ast.Compare):
                yield test.lineno, f"not ({_short(test)})", _swap_item(node.ifs, place, ast.UnaryOp(ast.Not(), test))
    for name, child in ast.iter_fields(node):
        if isinstance(child, ast.UnaryOp) and isinstance(child.op, ast.Not | ast.USub):
            yield child.lineno, f"{_short(child.operand)}, not {_short(child)}", _swap(node, name, child.operand)
        for place, item in enumerate(child if isinstance(child, list) else []):
            if isinstance(item, ast.UnaryOp) and isinstance(item.op, ast.Not | ast.USub):
                yield item.lineno, f"{_short(item.operand)}, not {_short(item)}", _swap_item(child, place, item.operand)


def _constants(node: ast.Constant) -> Iterator[tuple[int, str, Change]]:
    old = node.value
    new: object
    if isinstance(old, bool):
        new = not old
    elif isinstance(old, int):
        new = old + 1
    elif isinstance(old, float):
        new = old * 2.0 or 1.0
    elif isinstance(old, str) and " " not in old:
        new = "" if old else "x"
    elif isinstance(old, bytes):
        new = b"" if old else b"x"
    else:
        return
    yield node.lineno, f"{new!r}, not {old!r}", _swap(node, "value", new)


def _swap(node: ast.AST, name: str, new: object) -> Change:
    def plant() -> Callable[[], None]:
        old = getattr(node, name)
        setattr(node, name, new)
        return lambda: setattr(node, name, old)

    return plant


def _swap_item(items: list[Any], place: int, new: ast.AST) -> Change:
    def plant() -> Callable[[], None]:
        old = items[place]
        items[place] = new
        return lambda: items.__setitem__(place, old)

    return plant


def _name(node: ast.AST) -> str:
    return type(node).__name__


def _short(node: ast.AST) -> str:
    words = " ".join(ast.unparse(node).split())
    return words if len(words) <= 60 else words[:57] + "..."
