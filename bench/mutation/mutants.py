"""Small faults made on the syntax tree, one at a time; found by function and text, never by line number."""

from __future__ import annotations

import ast
import copy
import fnmatch
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

__all__ = ["Mutant", "mutants_of"]

_NEGATED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Lt: ast.GtE,
    ast.GtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.LtE: ast.Gt,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_SHIFTED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
_OTHER_SIGN: dict[type[ast.operator], type[ast.operator]] = {ast.Add: ast.Sub, ast.Sub: ast.Add}
_OTHER_WORD = {"min": "max", "max": "min", "any": "all", "all": "any"}
# what only tells or shows: a fault there costs no reading and no alarm
_TELLING = ("_log.", "log.", "self._say.", "_say.")


class Change(NamedTuple):
    """What to do to a node; `words` are before and after where the node's own would say too much."""

    do: Callable[[ast.AST], object]
    words: tuple[str, str] | None = None


class Mutant(NamedTuple):
    """One fault.

    Attributes
    ----------
    function : str
        Class and function.
    was, becomes : str
        The piece of code before and after, on one line each.
    number : int
        Which one of those with the same words in this function, from 0.
    source : str
        The whole file with the fault in it.
    """

    file: str
    function: str
    was: str
    becomes: str
    number: int
    source: str

    @property
    def fault(self) -> str:
        """All but file and source, on one line: a function keeps its faults when it moves to another file."""
        again = f" (no. {self.number + 1})" if self.number else ""
        return f"{self.function}: {self.was}  ->  {self.becomes}{again}"

    @property
    def name(self) -> str:
        """All but the source, on one line."""
        return f"{self.file} {self.fault}"


def mutants_of(file: str, source: str, left_out: Sequence[str] = ()) -> list[Mutant]:
    """Every mutant of a file's functions but those whose names match `left_out` (as in a shell)."""
    tree = ast.parse(source)
    seen: Counter[tuple[str, str, str]] = Counter()
    found = []
    for path, function in _functions(tree):
        name = ".".join(path)
        if any(fnmatch.fnmatch(part, pattern) for part in path for pattern in left_out):
            continue
        for place, change in _changes(function):
            mutated = copy.deepcopy(function)
            nodes = list(ast.walk(mutated))
            shown = nodes[place]
            if isinstance(shown, ast.Constant):  # alone it says nothing
                shown = next(n for n in nodes if shown in ast.iter_child_nodes(n))
            was = _words(shown)
            change.do(nodes[place])
            ast.fix_missing_locations(mutated)
            becomes = _words(shown)
            if change.words:
                was, becomes = change.words
            if was == becomes:
                continue
            number = seen[name, was, becomes]
            seen[name, was, becomes] += 1
            text = _put(source, function, mutated)
            found.append(Mutant(file, name, was, becomes, number, text))
    return found


def _functions(
    tree: ast.AST, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], ast.FunctionDef]]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef):
            yield (*path, node.name), node
        elif isinstance(node, ast.ClassDef) and not any(_words(base) == "Protocol" for base in node.bases):
            yield from _functions(node, (*path, node.name))


def _put(source: str, function: ast.FunctionDef, mutated: ast.FunctionDef) -> str:
    lines = source.splitlines()
    first = min([function.lineno, *(d.lineno for d in function.decorator_list)]) - 1
    indent = " " * function.col_offset
    new = [indent + line if line else line for line in ast.unparse(mutated).splitlines()]
    return "\n".join([*lines[:first], *new, *lines[function.end_lineno :]]) + "\n"


def _words(node: ast.AST) -> str:
    if isinstance(
        node, ast.FunctionDef | ast.If | ast.While | ast.For | ast.With | ast.Try | ast.ExceptHandler
    ):
        return " | ".join(part.strip() for part in ast.unparse(node).splitlines() if part.strip())[:300]
    return " ".join(ast.unparse(node).split())[:300]


def _changes(function: ast.FunctionDef) -> Iterator[tuple[int, Change]]:
    """The place of a node in `ast.walk`, and what to do to it."""
    places = {node: number for number, node in enumerate(ast.walk(function))}
    telling = {n for node in places if _tells(node) for n in ast.walk(node)}
    # a file's rights are octal: one more is no mistake that anybody makes
    telling |= {n for node in places if _opens(node) for n in ast.walk(node) if isinstance(n, ast.Constant)}
    for node, place in places.items():
        if node in telling or node is function.args:
            continue
        for change in (*_in_expression(node), *_in_statements(node)):
            yield place, change


def _opens(node: ast.AST) -> bool:
    return isinstance(node, ast.Call) and ast.unparse(node.func) == "os.open"


def _tells(node: ast.AST) -> bool:
    if isinstance(node, ast.Raise | ast.arguments):
        return True  # words of errors, and defaults
    if isinstance(node, ast.FunctionDef):
        return False
    if isinstance(node, ast.If) and ast.unparse(node.test).startswith(_TELLING):
        return True  # said now and not a moment ago: then in full
    return isinstance(node, ast.Expr) and (
        ast.unparse(node).startswith(_TELLING) or isinstance(node.value, ast.Constant)
    )


def _in_expression(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.Compare):
        for table in (_NEGATED, _SHIFTED):
            for at, operator in enumerate(node.ops):
                if type(operator) in table:
                    yield _set_operator(at, table[type(operator)])
    elif isinstance(node, ast.BoolOp):
        yield Change(lambda n: setattr(n, "op", ast.Or() if isinstance(n.op, ast.And) else ast.And()))
    elif isinstance(node, ast.BinOp) and type(node.op) in _OTHER_SIGN and not _text(node):
        yield Change(lambda n: setattr(n, "op", _OTHER_SIGN[type(n.op)]()))
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _OTHER_WORD:
        yield Change(lambda n: setattr(n.func, "id", _OTHER_WORD[n.func.id]))
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield Change(lambda n: setattr(n, "value", not n.value))
        elif isinstance(node.value, int):
            yield Change(lambda n: setattr(n, "value", n.value + 1))


def _text(node: ast.BinOp) -> bool:
    sides = (node.left, node.right)
    texts = (isinstance(n, ast.Constant) and isinstance(n.value, str) for n in sides)
    return any(texts) or any(isinstance(n, ast.JoinedStr) for n in sides)


def _set_operator(at: int, operator: type[ast.cmpop]) -> Change:
    def change(node: Any) -> None:
        node.ops[at] = operator()

    return Change(change)


def _in_statements(node: ast.AST) -> Iterator[Change]:
    if isinstance(node, ast.If | ast.While | ast.IfExp) and not isinstance(
        node.test, ast.Compare | ast.Constant
    ):
        yield Change(lambda n: setattr(n, "test", ast.UnaryOp(ast.Not(), n.test)))
    for field in ("body", "orelse", "finalbody"):
        block = getattr(node, field, None)
        if isinstance(block, list):
            for at, statement in enumerate(block):
                if not _tells(statement):
                    yield from _in_block(field, at, block)


def _in_block(field: str, at: int, block: list[ast.stmt]) -> Iterator[Change]:
    statement = block[at]
    words = _words(statement)
    simple = isinstance(statement, ast.Expr | ast.AugAssign | ast.Continue | ast.Break)
    simple = simple or (isinstance(statement, ast.Return) and statement.value is None)
    # without the assignment of a local name the next line fails anyhow
    simple = simple or (isinstance(statement, ast.Assign) and not isinstance(statement.targets[0], ast.Name))
    if simple:
        yield Change(_replacing(field, at, lambda _: [ast.Pass()]), (words, "(left out)"))
    elif isinstance(statement, ast.With):
        head = words.partition(" | ")[0]
        yield Change(_replacing(field, at, lambda with_: with_.body), (words, f"(without {head!r})"))
    if at + 1 < len(block) and _does(statement) and _does(block[at + 1]):
        yield Change(_swapping(field, at), (words, f"(after {_words(block[at + 1])})"))


def _does(statement: ast.stmt) -> bool:
    """Whether it is a step whose order may matter: a call, or a block that may hold one."""
    return not _tells(statement) and isinstance(
        statement, ast.Expr | ast.With | ast.Try | ast.If | ast.AugAssign
    )


def _replacing(field: str, at: int, by: Callable[[Any], list[ast.stmt]]) -> Callable[[ast.AST], object]:
    def change(node: ast.AST) -> None:
        block = getattr(node, field)
        block[at : at + 1] = by(block[at])

    return change


def _swapping(field: str, at: int) -> Callable[[ast.AST], object]:
    def change(node: ast.AST) -> None:
        block = getattr(node, field)
        block[at], block[at + 1] = block[at + 1], block[at]

    return change
