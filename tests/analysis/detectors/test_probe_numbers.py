"""Every number of the probes, of stray current, of frames and of the estimates has a name."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.analysis.bare_numbers import bare_numbers

ANALYSIS = Path(__file__).parents[3] / "analysis"


@pytest.mark.parametrize("folder", ["detectors/probes", "detectors/stray_current", "estimators"])
def test_every_number_of_a_folder_has_a_name(folder: str) -> None:
    # conversions; the heat family's numbers; a published formula
    apart = ("units.py", "thermal_model.py", "mann_kendall.py")
    files = [path for path in (ANALYSIS / folder).glob("*.py") if path.name not in apart]
    assert bare_numbers(files) == []


@pytest.mark.parametrize("file", ["detectors/frames.py", "watch/diagnosis.py", "watch/learnt.py"])
def test_every_number_of_a_module_has_a_name(file: str) -> None:
    assert bare_numbers([ANALYSIS / file]) == []
