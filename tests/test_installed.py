"""What may lie in site-packages and in the image. `tests/run` runs the build itself (tests/installed.py)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.installed import faults

ROOT = Path(__file__).parents[1]


def test_the_package_alone_is_right() -> None:
    assert faults("rushlight rushlight-0.1.0.dist-info\n") == []


@pytest.mark.parametrize("wrong", ["analysis rushlight", "rushlight tests", "rushlight-0.1.0.dist-info", ""])
def test_anything_else_is_found(wrong: str) -> None:
    assert faults(wrong)


def test_the_image_gets_the_package_with_all_that_its_links_point_to() -> None:
    copied = {
        word.removeprefix("./")
        for line in re.findall(r"^COPY (?!--)(.*) \S+$", (ROOT / "docker/Dockerfile").read_text(), re.M)
        for word in line.split()
    }
    ignored = (ROOT / ".dockerignore").read_text().splitlines()
    links = [path for path in (ROOT / "src/rushlight").iterdir() if path.is_symlink()]
    assert {path.name for path in links} == {"analysis", "collector", "simulator"}
    for path in links:
        target = str(path.resolve().relative_to(ROOT))
        # relative, so that it holds in every folder
        assert not path.readlink().is_absolute() and target == path.name
        assert target in copied
    assert "src" in copied
    for name in copied:
        assert f"!{name}" in ignored, f".dockerignore keeps {name} out"
