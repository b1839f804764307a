"""The command that adds a package, for each way of installing."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from rushlight.analysis.how_installed import how_to_add


@pytest.mark.parametrize(
    ("files", "managed", "command"),
    [
        (["pyvenv.cfg", "pipx_metadata.json"], True, "pipx inject rushlight matplotlib"),
        (["pyvenv.cfg"], True, "{here}/bin/pip install matplotlib"),
        ([], True, "sudo apt-get install python3-matplotlib"),
        ([], False, "python3 -m pip install matplotlib"),
    ],
    ids=["pipx", "venv", "system (PEP 668)", "plain"],
)
def test_the_command_fits(tmp_path: Path, files: list[str], managed: bool, command: str) -> None:
    here, library = tmp_path / "here", tmp_path / "library"
    here.mkdir()
    library.mkdir()
    for name in files:
        (here / name).write_text("")
    if managed:
        (library / "EXTERNALLY-MANAGED").write_text("")
    said = how_to_add("matplotlib", prefix=str(here), stdlib=str(library))
    assert said == command.format(here=here)


def test_what_no_distribution_has_goes_into_a_venv(tmp_path: Path) -> None:
    (tmp_path / "EXTERNALLY-MANAGED").write_text("")
    said = how_to_add("pyarrow", prefix=str(tmp_path), stdlib=str(tmp_path))
    assert "venv" in said and "apt-get" not in said


def test_in_a_real_venv_the_named_program_is_there(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "v")], check=True)
    program = shlex.split(how_to_add("matplotlib", prefix=str(tmp_path / "v")))[0]
    assert Path(program).exists()
