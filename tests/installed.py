"""Builds sdist and wheel, installs the wheel into a fresh environment, runs its demo.

Run as `python -m tests.installed`; `tests/run` does.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).parents[1]
# runs in the fresh environment: the top-level names that the distribution puts into site-packages
TOP_LEVEL = """
from importlib.metadata import files
print(*sorted({f.parts[0] for f in files("rushlight") if f.parts[0] != ".."}))
"""
MUST_BE_THERE = """
from importlib.resources import files
page = files("rushlight.analysis.views.page")
assert page.joinpath("templates", "front.html").is_file(), "no template"
assert page.joinpath("static", "plots.js").is_file(), "no static files"
paper = files("rushlight.analysis.paper").joinpath("templates")
assert any(one.name.endswith(".html") for one in paper.iterdir()), "no templates for paper"
assert files("rushlight").joinpath("py.typed").is_file(), "no py.typed"
"""


def faults(top_level: str) -> list[str]:
    """What lies in site-packages although it should not, or the other way about."""
    found = set(top_level.split())
    packages = {name for name in found if not name.endswith(".dist-info")}
    wrong = [f"site-packages gets {name!r}" for name in sorted(packages - {"rushlight"})]
    return wrong + ([] if "rushlight" in packages else ["site-packages gets no 'rushlight'"])


def main() -> int:
    """Build, install, run; 0 where all is well."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # the wheel is built from the sdist, so both are complete
        subprocess.run(
            [sys.executable, "-m", "build", "--outdir", str(folder / "dist"), str(ROOT)], check=True
        )
        (wheel,) = (folder / "dist").glob("*.whl")
        venv.create(folder / "fresh", with_pip=True)
        python = folder / "fresh" / "bin" / "python"
        subprocess.run([python, "-m", "pip", "install", "--quiet", wheel], check=True, cwd=folder)
        ran = subprocess.run(
            [python, "-c", TOP_LEVEL], check=True, cwd=folder, capture_output=True, text=True
        ).stdout
        wrong = faults(ran)
        for line in wrong:
            print(f"tests.installed: {line}", file=sys.stderr)
        subprocess.run([python, "-c", MUST_BE_THERE], check=True, cwd=folder)
        demo = subprocess.run([folder / "fresh" / "bin" / "rushlight", "demo"], cwd=folder, check=False)
        return 1 if wrong or demo.returncode else 0


if __name__ == "__main__":
    sys.exit(main())
