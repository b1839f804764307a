"""`rushlight replay`: the replay with its progress shown on a terminal, and what it came to."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.replay.files import ReplaySummary, replay_files
from rushlight.collector.safe_text import safe_text

if TYPE_CHECKING:
    from rich.progress import Progress

__all__ = ["replay_with_progress", "summary_line"]

_LONG_BYTES = 5_000_000
_ROW_BYTES = 40  # about; only for how far the bar has come


def replay_with_progress(
    config: str, csvs: Sequence[str], events: str | None, until_ms: int | None = None
) -> str:
    """Replay the files and return the summary line; a bar on standard error for long ones on a terminal."""

    def complain(text: str) -> None:
        print(safe_text(text), file=sys.stderr)

    size = sum(Path(name).stat().st_size for name in csvs if Path(name).exists())
    bar: AbstractContextManager[Progress | None] = nullcontext(None)
    if size > _LONG_BYTES and sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import Progress

        bar = Progress(console=Console(stderr=True), transient=True)
    with bar as shown:
        progress: Callable[[int], None] | None = None
        if shown is not None:
            task = shown.add_task("replaying", total=size / _ROW_BYTES)

            def progress(rows: int) -> None:
                shown.advance(task, rows)

        summary = replay_files(config, csvs, events, complain=complain, progress=progress, until_ms=until_ms)
    if 2 * summary.late > summary.readings:
        complain(
            f"{', '.join(csvs)}: most readings are older than those before them and were not judged; if the "
            "newest come first, or files are not in the order of their times, sort by time and replay again"
        )
    return summary_line(summary, events)


def summary_line(summary: ReplaySummary, events: str | None) -> str:
    """What a replay did, in one line."""
    span = "no time"
    if summary.first_ms >= 0:
        span = f"{utc_text(summary.first_ms)} to {utc_text(summary.last_ms)}"
    out = f", {summary.left_out} left out" if summary.left_out else ""
    if summary.late:
        out += f", {summary.late} too late to be judged (older than those before them)"
    where = f" in {events}" if events else "; name --events FILE to keep them"
    return (
        f"{summary.readings} readings from {span}{out}: {_counted(summary.raised, 'alarm')} "
        f"raised, {_counted(summary.events, 'event')}{where}"
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
