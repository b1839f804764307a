"""A test that nothing is raised passes on a deaf detector, too: in the same function it must see something.

What is looked for can be seen in the text of a test: each of its claims says that something is empty, missing
or false. That the other claim is of the same frames with the fault added is for a person to see.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOMS = [Path(__file__).parent / "analysis" / room for room in ("detectors", "estimators", "replay")]
OF_CODE = {"bare_numbers", "bare_numbers_of"}
"""What looks at the code and not at a tank has its own test of what it finds."""


def says_nothing(claim: ast.expr) -> bool:
    """Whether it claims only that something is empty, missing or false."""
    if isinstance(claim, ast.BoolOp):
        return all(says_nothing(one) for one in claim.values)
    if isinstance(claim, ast.UnaryOp):
        return isinstance(claim.op, ast.Not) and not isinstance(claim.operand, ast.UnaryOp)
    if not isinstance(claim, ast.Compare) or len(claim.ops) != 1:
        return False
    (how,), (what,) = claim.ops, claim.comparators
    if isinstance(how, ast.NotIn):
        return True
    if isinstance(how, ast.Is):
        return isinstance(what, ast.Constant) and what.value in (None, False)
    empty = isinstance(what, ast.List | ast.Tuple | ast.Set) and not what.elts
    empty = empty or (isinstance(what, ast.Dict) and not what.keys)
    empty = empty or (isinstance(what, ast.Call) and ast.unparse(what) == "set()")
    return isinstance(how, ast.Eq) and empty


def deaf(source: str) -> Iterator[str]:
    """Names of the tests that claim nothing else."""
    for test in ast.walk(ast.parse(source)):
        if not isinstance(test, ast.FunctionDef) or not test.name.startswith("test_"):
            continue
        inside = list(ast.walk(test))
        claims = [one.test for one in inside if isinstance(one, ast.Assert)]
        called = {
            one.func.id for one in inside if isinstance(one, ast.Call) and isinstance(one.func, ast.Name)
        }
        if claims and all(says_nothing(claim) for claim in claims) and not called & OF_CODE:
            yield test.name


@pytest.mark.parametrize("room", ROOMS, ids=[room.name for room in ROOMS])
def test_what_raises_nothing_has_its_twin(room: Path) -> None:
    files = sorted(room.rglob("test_*.py"))
    assert files, "nothing to look at"
    found = [f"{file.name}: {name}" for file in files for name in deaf(file.read_text(encoding="utf-8"))]
    assert found == []


def test_a_test_without_its_twin_is_seen() -> None:
    alone = "def test_calm():\n    assert not bench.raised\n    assert names == [] and 'a' not in names\n"
    assert list(deaf(alone)) == ["test_calm"]
    assert list(deaf(alone + "    bench.run(fault)\n    assert bench.raised\n")) == []
