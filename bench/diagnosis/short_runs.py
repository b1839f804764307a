"""The gate's short runs, as `short_runs.toml` has them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from bench.diagnosis.short_tank import Short, Span, write

__all__ = ["SHORT_RUNS", "make", "read_runs"]

ALWAYS_H = 1e6


def _span(entry: list[Any]) -> Span:
    """Of [day, hour, hours, what, value] or [day, hour, hours, what, from, to]."""
    day, hour, lasts_h, what, value, *to = entry
    begin_h = (day - 1) * 24 + hour
    return Span(begin_h, begin_h + lasts_h, what, float(value), float(to[0]) if to else None)


def _run(entry: dict[str, Any], parts: dict[str, str]) -> Short:
    usual = [Span(0, ALWAYS_H, what, float(value)) for what, value in entry.get("always", {}).items()]
    return Short(
        entry["name"],
        "".join(parts.get(part, part) for part in entry["settings"]),
        entry["days"],
        entry.get("measures", "temperature room_temperature ph light"),
        entry.get("every_s", 60),
        entry.get("timezone", "Etc/UTC"),
        tuple(usual + [_span(one) for one in entry.get("happens", [])]),
    )


def read_runs(path: Path) -> tuple[Short, ...]:
    """The runs of such a file."""
    file = tomllib.loads(path.read_text(encoding="utf-8"))
    return tuple(_run(entry, file["parts"]) for entry in file["run"])


SHORT_RUNS = read_runs(Path(__file__).with_suffix(".toml"))


def make(folder: Path, name: str) -> None:
    """Write the short run of that name into `folder`."""
    write(folder, next(run for run in SHORT_RUNS if run.name == name))
