"""The river data that some tests need, which are not part of the project."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
VARIABLE = "RUSHLIGHT_DATA"
"""Names the folder; without it, `shared/data` beside the project's own folder."""


def data_file(name: str) -> Path:
    """Path of one file; the test is skipped, with the reason, where it is not there.

    The files are series of the Logan River Observatory with technicians' labels, published with Jones,
    Jones & Horsburgh (2022), doi:10.1016/j.envsoft.2022.105364.
    """
    named = os.environ.get(VARIABLE)
    path = (Path(named) if named else ROOT.parent / "shared" / "data") / name
    if not path.is_file():
        pytest.skip(f"{path} is not there: set {VARIABLE} to the folder that holds the river data")
    return path
