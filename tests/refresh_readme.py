"""Writes the demo's output and the table of alarms into README.md: `python -m tests.refresh_readme`."""

from __future__ import annotations

import contextlib
import io
import re
import tempfile
from pathlib import Path

from analysis.alarm_table import alarm_table
from analysis.demo import run_demo

README = Path(__file__).parents[1] / "README.md"
CUT = " " * 18 + "│ […]"


def block(name: str, text: str = "") -> str:
    """What stands between the markers of `name` in `text` (README.md if empty), markers left out."""
    found = re.search(_pattern(name), text or README.read_text(), re.DOTALL)
    assert found, f"README.md has no markers for {name}"
    return found[2].strip("\n")


def _pattern(name: str) -> str:
    return rf"(<!-- {name}:[^>]*-->\n)(.*?)(<!-- end of {name} -->)"


def shortened(printed: str) -> str:
    """The first notice whole, of later ones the title and the first step."""
    lines: list[str] = []
    frame, inside = 0, 0
    for line in printed.splitlines():
        if line.lstrip().startswith("┌"):
            frame, inside = frame + 1, 0
        if line.lstrip().startswith("│") and frame > 1:
            inside += line.strip() == "│"
            if inside >= 2:
                if lines[-1] != CUT:
                    lines.append(CUT)
                continue
        lines.append(line.rstrip())
    return "\n".join(lines).strip("\n")


def main() -> None:
    """Run the demo in a folder of its own and write both blocks."""
    out = io.StringIO()
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        status = run_demo(None, None, out)
    blocks = {
        "demo": f"\n```text\n$ .venv/bin/rushlight demo\n{shortened(out.getvalue())}\n```\n\n",
        "alarms": f"\n{alarm_table()}\n\n",
    }
    text = README.read_text()
    for name, body in blocks.items():
        text, times = re.subn(_pattern(name), lambda m, b=body: m[1] + b + m[3], text, flags=re.DOTALL)
        assert times == 1, name
    README.write_text(text)
    print(f"README.md written; the demo ended with {status}")


if __name__ == "__main__":
    main()
