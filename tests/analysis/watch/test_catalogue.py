"""All numbers of the judging in one list; a struct that is forgotten, or there twice, is found."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path
from typing import Annotated

import pytest

import rushlight.analysis.detectors.frames as frames_module
from rushlight.analysis.numbers import Numbers, Of
from rushlight.analysis.watch.catalogue import catalogue, family_of, owned

ANALYSIS = Path(__file__).parents[3] / "analysis"


def structs(folder: Path) -> set[tuple[str, str]]:
    """(Module, class) of each struct of numbers that is written anywhere in the analysis."""
    found = set()
    for path in folder.rglob("*.py"):
        module = ".".join(("rushlight", "analysis", *path.relative_to(folder).with_suffix("").parts))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and any(
                isinstance(base, ast.Name) and base.id == "Numbers" for base in node.bases
            ):
                found.add((module, node.name))
    return found


def test_every_struct_of_numbers_is_in_the_list_once() -> None:
    written = structs(ANALYSIS)
    listed = Counter((type(one).__module__, type(one).__name__) for one in catalogue().values())
    assert written and listed == Counter(written)


def test_every_number_says_what_it_is_in_a_unit_and_from_where() -> None:
    for name, _, number in owned():
        assert isinstance(number.value, int | float) and not isinstance(number.value, bool), name
        assert number.meaning and number.source, name
        # a span of time, a share and a pH say in their name what they are
        for end, unit in (("_ms", "ms"), ("_min", "min"), ("_share", ""), ("_times", ""), ("_ph", "pH")):
            assert not number.name.endswith(end) or number.unit == unit, (
                f"{name} has the unit {number.unit!r}"
            )


def test_a_number_belongs_to_a_family() -> None:
    families = {name: family_of(numbers) for name, numbers in catalogue().items()}
    assert families["DEAD"] == "probes" and families["CURRENT"] == "stray_current"
    assert families["JITTER"] == "estimators" and families["FRAMES"] == "frames"


class Lamp(Numbers, frozen=True, kw_only=True):
    bright_lx: Annotated[float, Of("lx", "more is bright")] = 100.0


def test_a_second_instance_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    Lamp.__module__ = frames_module.__name__
    lamp = Lamp()
    monkeypatch.setattr(frames_module, "BRIGHT", lamp, raising=False)
    assert catalogue()["BRIGHT"] is lamp
    monkeypatch.setattr(frames_module, "BRIGHTER", lamp, raising=False)
    with pytest.raises(ValueError, match=r"BRIGHTER in .*: is there under another name"):
        catalogue()
    monkeypatch.delattr(frames_module, "BRIGHTER")
    monkeypatch.setattr(frames_module, "DEAD", lamp, raising=False)
    with pytest.raises(ValueError, match=r"another one has that name|under another name"):
        catalogue()
