"""Numbers in code that have no name: what a structural test of a family's folder asks for.

    def test_every_number_has_a_name() -> None:
        assert bare_numbers(folder.glob("*.py")) == []

Allowed without a name: 0, 1 and 2 of either sign; what converts a unit, where something is multiplied or
divided by it (60, 1000, 3600 …); an exponent; the 10 of `math.log(10)`; a small index; the decimals of
`round` and the width of a format; and what is written inside a struct of `Numbers` or an `Of(…)`.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from pathlib import Path

__all__ = ["bare_numbers", "bare_numbers_of"]

ALLOWED = {0, 1, 2}
CONVERSIONS = {24, 60, 100, 1000, 1440, 3600, 60_000, 86_400, 1_000_000, 3_600_000, 86_400_000}
"""Hours a day, minutes an hour, per cent, milli, minutes a day, seconds an hour, ms a minute …"""
MOST_INDEX = 9


def bare_numbers(paths: Iterable[Path]) -> list[str]:
    """`file:line: number` for each number without a name in those Python files; none: an empty list.

    Raises
    ------
    ValueError
        There is no file to look at: a test of nothing would pass for ever.
    """
    files = sorted(paths)
    if not files:
        raise ValueError("no files to look at")
    return [f"{path.name}:{found}" for path in files for found in bare_numbers_of(path.read_text("utf-8"))]


def bare_numbers_of(source: str) -> list[str]:
    """`line: number` for each number without a name in that source."""
    return [f"{node.lineno}: {ast.unparse(node)}" for node in _bare(ast.parse(source))]


def _bare(node: ast.AST) -> Iterator[ast.Constant]:
    if isinstance(node, ast.Constant):
        if _is_number(node) and not _is_number(node, ALLOWED):
            yield node
        return
    for child in ast.iter_child_nodes(node):
        if not _has_name(node, child):
            yield from _bare(child)


def _has_name(parent: ast.AST, child: ast.AST) -> bool:
    """Whether that part of a piece of code may hold numbers, or is one that may be there."""
    if isinstance(parent, ast.ClassDef):
        return any(_name(base) == "Numbers" for base in parent.bases)
    if isinstance(parent, ast.Call):
        name = _name(parent.func)
        second = len(parent.args) > 1 and child is parent.args[1]
        return (
            name == "Of"
            or (name == "round" and second and _is_number(child))
            or (name == "divmod" and second and _is_number(child, CONVERSIONS))
            or (name in {"log", "log10"} and _is_number(child, {10}))
        )
    if isinstance(parent, ast.BinOp):
        if isinstance(parent.op, ast.Pow):
            return (child is parent.right and _is_plain(child)) or _is_number(child, {10})
        scales = isinstance(parent.op, ast.Mult | ast.Div | ast.FloorDiv | ast.Mod)
        return scales and _is_number(child, CONVERSIONS)
    if isinstance(parent, ast.Subscript) and child is parent.slice:
        bounds = [child.lower, child.upper, child.step] if isinstance(child, ast.Slice) else [child]
        return all(bound is None or _is_index(bound) for bound in bounds)
    return False


def _name(node: ast.AST) -> str:
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


def _is_number(node: ast.AST, among: set[int] | None = None) -> bool:
    if not isinstance(node, ast.Constant) or isinstance(node.value, bool):
        return False
    return isinstance(node.value, int | float) and (among is None or node.value in among)


def _is_plain(node: ast.AST) -> bool:
    """Whether it is written in numbers alone, as the exponent 1 / 3."""
    return not any(isinstance(part, ast.Name | ast.Attribute | ast.Call) for part in ast.walk(node))


def _is_index(node: ast.AST) -> bool:
    plain = node.operand if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub) else node
    return _is_number(plain, set(range(MOST_INDEX + 1)))
