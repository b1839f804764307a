"""The lock of the tested packages, and what is said of known faults in them."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any

import pytest

from tests.audit import LOCK, read

ROOT = LOCK.parent
NAME = re.compile(r"^([A-Za-z0-9._-]+)==(\S+)", re.MULTILINE)


def plain(name: str) -> str:
    """A package's name as PyPA's specification compares it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def test_the_lock_holds_every_package_with_hashes_and_names_no_host() -> None:
    text = LOCK.read_text()
    locked = {plain(name): version for name, version in NAME.findall(text)}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    for wanted in (*project["dependencies"], *extras["test"], *extras["audit"]):
        found = re.match(r"([A-Za-z0-9._-]+)(?:>=([0-9.]+))?(?:,<([0-9]+))?$", wanted.partition(";")[0])
        assert found, f"this test can't read {wanted!r}"
        name, least, below = found.groups()
        assert plain(name) in locked, f"{name} is not locked: bash tests/lock"
        numbers = [int(part) for part in re.findall(r"\d+", locked[plain(name)])]
        assert least is None or numbers >= [int(part) for part in least.split(".")], name
        assert below is None or numbers[0] < int(below), name
    assert not re.search(r"://|--index|--find-links", text)
    for block in re.split(r"\n(?=[A-Za-z0-9])", text)[1:]:
        assert "--hash=sha256:" in block, block


def test_an_audit_shows_what_was_found_and_what_was_not_looked_up() -> None:
    # in the form of `pip-audit --format json` 2.10
    fault = {"id": "PYSEC-2000-1", "fix_versions": ["1.3"], "aliases": [], "description": ""}
    other = fault | {"id": "PYSEC-2000-2", "fix_versions": []}
    packages: list[dict[str, Any]] = [
        {"name": "good", "version": "1", "vulns": []},
        {"name": "bad", "version": "1.2", "vulns": [fault, other]},
    ]
    audit = read(json.dumps({"dependencies": packages, "fixes": []}))
    assert audit.status == 1
    assert "bad 1.2: PYSEC-2000-1; mended in: 1.3\n" in audit.text()
    assert "PYSEC-2000-2; mended in: none yet\n" in audit.text()
    assert "2 packages looked up, 2 known faults" in audit.text()
    packages[1] = {"name": "hidden", "skip_reason": "Dependency not found"}
    audit = read(json.dumps({"dependencies": packages, "fixes": []}))
    assert audit.status == 0
    assert "NOT AUDITED: 1 of 2 packages (hidden)" in audit.text()
    assert "1 packages looked up, 0 known faults" in audit.text()


@pytest.mark.parametrize("output", ["", "[]", "{}", '{"dependencies": []}', '{"dependencies": [{}]}'])
def test_no_audit_is_never_taken_for_a_clean_one(output: str) -> None:
    with pytest.raises(ValueError, match="no "):
        read(output)
