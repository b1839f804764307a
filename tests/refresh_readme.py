"""Writes the demo's output into README.md, the alarms and settings into docs/."""

from __future__ import annotations

import contextlib
import io
import re
import tempfile
from pathlib import Path

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.demo.run import run_demo
from tests.settings_reference import settings_table

ROOT = Path(__file__).parents[1]
PAGES = {
    "demo": ROOT / "README.md",
    "alarms": ROOT / "docs/alarms.md",
    "settings": ROOT / "docs/settings.md",
}
CUT = " " * 18 + "[…]"
MOST_LINES = 25
CALLED = ".venv/bin/rushlight"  # as the README has it typed before the venv is active


def block(name: str) -> str:
    """What stands between the markers of `name` on its page, markers left out."""
    found = re.search(_pattern(name), PAGES[name].read_text(), re.DOTALL)
    assert found, f"{PAGES[name]} has no markers for {name}"
    return found[2].strip("\n")


def _pattern(name: str) -> str:
    return rf"(<!-- {name}:[^>]*-->\n)(.*?)(<!-- end of {name} -->)"


def alarm_table() -> str:
    """Every alarm as a row of a Markdown table, in the order of `RATIONALE`; no line end at the end."""
    rows = ["| alarm | priority | if nobody acts | first of all |", "|---|---|---|---|"]
    for name, row in RATIONALE.items():
        rows.append(f"| `{name}` | {row.priority} | {row.consequence} | {row.lines[0]} |")
    return "\n".join(rows)


def excerpt(printed: str) -> str:
    """The first fault with the beginning of its notice, and the table at the end."""
    lines = [line.rstrip() for line in printed.strip("\n").splitlines()]
    arrives = next(n for n, line in enumerate(lines) if "A notice arrives" in line)
    begins = max(n for n in range(arrives) if not lines[n])
    table = next(n for n, line in enumerate(lines) if line.startswith("fault "))
    fault = lines[begins + 1 : arrives + 1]
    blanks = 0
    for line in lines[arrives + 1 :]:
        blanks += line.strip() == "│"
        if blanks == 2:
            break
        fault.append(line)
    return "\n".join(["[…]", *fault, CUT, "", *lines[table:]])


def main() -> None:
    """Run the demo in a folder of its own and write both blocks."""
    out = io.StringIO()
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        status = run_demo(None, None, out)
    shown = excerpt(out.getvalue()).replace(": rushlight status", f": {CALLED} status")
    blocks = {
        "demo": f"\n```text\n$ {CALLED} demo\n{shown}\n```\n\n",
        "alarms": f"\n{alarm_table()}\n\n",
        "settings": f"\n{settings_table()}\n\n",
    }
    for name, body in blocks.items():
        text, times = re.subn(
            _pattern(name), lambda m, b=body: m[1] + b + m[3], PAGES[name].read_text(), flags=re.DOTALL
        )
        assert times == 1, name
        PAGES[name].write_text(text)
    print(f"README.md, docs/alarms.md and docs/settings.md written; the demo ended with {status}")


if __name__ == "__main__":
    main()
