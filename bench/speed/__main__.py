"""`python -m bench.speed`: what can be measured, one program a line."""

from __future__ import annotations

import ast
from pathlib import Path

for _path in sorted(Path(__file__).parent.glob("[!_]*.py")):
    _title = (ast.get_docstring(ast.parse(_path.read_text())) or "").splitlines()[0]
    print(f"python -m bench.speed.{_path.stem:<14} {_title}")
