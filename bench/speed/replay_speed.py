"""How fast recorded readings go through every detector, beside a bare loop over the same file.

    python -m bench.speed.replay_speed [--days 10] [--rounds 3] [--profile]

The file is the simulated tank of the demo, its three faults included, reporting temperature, pH and light
every 10 s. The bare loop is the least that any replay of a CSV has to do: `csv.reader`, `float`,
`datetime.fromisoformat`, one row after the other, nothing kept. The two take turns within one run; the best
round of each counts, in processor time, so that what else runs on the machine matters little. Only the
ratio carries over to another machine.
"""

from __future__ import annotations

import argparse
import cProfile
import csv
import gc
import pstats
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from rushlight.analysis.replay.files import replay_files
from rushlight.simulator.scene import SCENE

DAY_MS = 86_400_000
TARGET = 100_000


def write_files(folder: Path, days: int) -> tuple[Path, Path, int]:
    """Settings, readings file and number of readings of `days` days at 10 s."""
    chapters = [
        replace(chapter, end_ms=min(chapter.end_ms, SCENE.start_ms + days * DAY_MS))
        for chapter in SCENE.chapters
        if chapter.start_ms < SCENE.start_ms + days * DAY_MS
    ]
    scene = replace(
        SCENE,
        chapters=tuple(chapters),
        quantities=("temperature", "ph", "light"),
        report_every_s=10,
        step_s=10,
        settings=SCENE.settings.replace("report_every_s = 60", "report_every_s = 10"),
    )
    config, table = folder / "rushlight.toml", folder / "readings.csv"
    config.write_text(scene.settings_for("/dev/ttyUSB0"), encoding="utf-8")
    count = 0
    with table.open("w", encoding="utf-8") as out:
        out.write("time,tank,quantity,value\n")
        for time_ms, values in scene.reports():
            stamp = datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            for quantity, value in values:
                out.write(f"{stamp},{scene.tank},{quantity},{'' if value is None else value}\n")
                count += 1
    return config, table, count


def bare(table: Path) -> int:
    """The least: read, turn into numbers, forget."""
    count = 0
    with table.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for text, _tank, _quantity, value in rows:
            datetime.fromisoformat(text)
            if value:
                float(value)
            count += 1
    return count


def timed(work: Callable[[], object]) -> float:
    """Processor seconds of one call."""
    gc.collect()
    begin = time.process_time()
    work()
    return time.process_time() - begin


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=int, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--profile", action="store_true", help="show where the time goes instead")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config, table, count = write_files(folder, args.days)
        events = folder / "events.jsonl"
        if args.profile:
            profile = cProfile.Profile()
            profile.runcall(replay_files, config, [table], events)
            pstats.Stats(profile).sort_stats("tottime").print_stats(35)
            return 0
        best_replay = best_bare = float("inf")
        for _ in range(args.rounds):
            best_bare = min(best_bare, timed(lambda: bare(table)))
            best_replay = min(best_replay, timed(lambda: replay_files(config, [table], events)))
        size = table.stat().st_size / 1e6
        raised = events.read_bytes().count(b'"event":"raised"')
    print(f"{count:,} readings, {args.days} days at 10 s, {size:.1f} MB; {raised} alarms raised")
    print(f"{'':12}{'processor s':>12}{'readings/s':>14}")
    print(f"{'bare loop':12}{best_bare:12.2f}{count / best_bare:14,.0f}")
    print(f"{'replay':12}{best_replay:12.2f}{count / best_replay:14,.0f}")
    print(f"replay takes {best_replay / best_bare:.1f} times as long as the bare loop")
    reached = count / best_replay >= TARGET
    print(f"target of {TARGET:,} readings a second on one core: {'reached' if reached else 'not reached'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
