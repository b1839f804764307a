"""What each number of the judging changes: scaled down and up, one at a time, over the gate's runs.

    python -m bench.diagnosis.sensitivity --keep DIR [--family heat] [--number HEATER.] [--sample 20 --seed 1]
    python -m bench.diagnosis.sensitivity --keep DIR --matters     # leave a number at the first difference

A row has the events that come or go (raised, cleared …, by name and time), the runs where only what is
believed or the words are others, and what it makes of the figures of `score`. Only runs that read a number
are judged with it changed. Numbers that change nothing in any run are listed at the end: candidates for
deletion, where no test needs them either. All numbers over all runs take hours; `--matters --short` takes far
less.
"""

from __future__ import annotations

import argparse
import gc
import multiprocessing
import multiprocessing.pool
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from bench.diagnosis.changes import Change, Judged, chosen, departs, judged, noting_reads, scaled
from bench.diagnosis.gate import jobs
from bench.diagnosis.scenarios import build
from bench.diagnosis.short_runs import SHORT_RUNS, make
from bench.diagnosis.summary import summarise

__all__ = ["FACTORS", "Baseline", "Baselines", "Row", "baseline", "baselines", "row_of", "runs_in"]

FACTORS = (0.7, 1.4)


class Baseline(NamedTuple):
    """A run with all numbers as they are, and the numbers that it reads."""

    judged: Judged
    read: frozenset[str]


Baselines = dict[Path, Baseline]


class Row(NamedTuple):
    """What one change makes of the runs.

    Attributes
    ----------
    runs, gone, new : int
        Runs with other events, events that don't come any more, and events that come instead.
    believed : int
        Runs with the same events, where the families believed something else.
    words : int
        Runs with the same events, otherwise worded.
    detected, named, false : int
        Faults detected and named, and false alarms, more or fewer than before; 0 where a run was left.
    where : str
        Where the first difference was, where that was all that was asked for.
    """

    change: Change
    runs: int = 0
    gone: int = 0
    new: int = 0
    believed: int = 0
    words: int = 0
    detected: int = 0
    named: int = 0
    false: int = 0
    where: str = ""

    @property
    def matters(self) -> bool:
        return self.runs + self.believed + self.words > 0


def runs_in(folder: Path, only: Sequence[str] = (), processes: int = 2, short: bool = False) -> list[Path]:
    """The gate's runs in `folder`, made where they are missing: the short ones, then one of each fault first.

    `short`: only those.
    """
    for run in SHORT_RUNS:  # always anew: their script may have changed
        make(folder / run.name, run.name)
    wanted = [] if short else [job for job in jobs(folder) if not only or job[0].name in only]
    missing = [job for job in wanted if not (job[0] / "truth.json").exists()]
    if missing:
        with multiprocessing.Pool(processes) as pool:
            pool.starmap(build, missing, chunksize=1)
    brief = [folder / run.name for run in SHORT_RUNS if not only or run.name in only]
    brief.sort(key=lambda one: (one / "readings.csv").stat().st_size)
    folders = [job[0] for job in wanted]
    return brief + folders[::2] + folders[1::2]


def baseline(folder: Path) -> Baseline:
    """A run as it is judged with all numbers as they are, and those that it reads."""
    with noting_reads() as read:
        return Baseline(judged(folder), frozenset(read))


def baselines(folders: list[Path], pool: multiprocessing.pool.Pool) -> Baselines:
    """All of them."""
    return dict(zip(folders, pool.map(baseline, folders, chunksize=1), strict=True))


def row_of(change: Change, before: Baselines, first_only: bool = False) -> Row:
    """What the change makes of the runs; `first_only`: up to the first run that differs, and where."""
    row = Row(change)
    for folder, (old, read) in before.items():
        if change.name not in read:
            continue
        if first_only:
            if where := departs(folder, change, old.trace):
                return row._replace(runs=1, where=where)
            continue
        new = judged(folder, change)
        same = old.events == new.events
        was, now = old.verdict or {}, new.verdict or {}
        row = row._replace(
            runs=row.runs + (not same),
            gone=row.gone + len(set(old.events) - set(new.events)),
            new=row.new + len(set(new.events) - set(old.events)),
            believed=row.believed + (same and old.trace != new.trace),
            words=row.words + (same and old.words != new.words),
            detected=row.detected + bool(now.get("detected")) - bool(was.get("detected")),
            named=row.named + bool(now.get("named")) - bool(was.get("named")),
            false=row.false + len(now.get("false", ())) - len(was.get("false", ())),
        )
    return row


def _job(job: tuple[Change, Baselines, bool]) -> Row:
    return row_of(*job)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--keep", type=Path, default=None, help="where the gate's runs are kept")
    parser.add_argument("--only", default="", help="only these runs, as gate-026,gate-027")
    parser.add_argument("--family", default=None, help="only numbers of this family, as heat")
    parser.add_argument("--number", default=None, help="only numbers that have this in their name")
    parser.add_argument("--sample", type=int, default=None, help="so many of them, by chance")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--matters", action="store_true", help="leave a number at the first difference")
    parser.add_argument("--short", action="store_true", help="only the short runs")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    numbers = chosen(args.family, args.number, args.sample, args.seed)
    if not numbers:
        print("sensitivity: no such number; see rushlight.analysis.watch.catalogue", file=sys.stderr)
        return 1
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        only = [one for one in args.only.split(",") if one]
        folders = runs_in(args.keep or Path(scratch), only, args.jobs, args.short)
        # frames are millions of small objects in no cycles
        with multiprocessing.Pool(args.jobs, gc.disable) as pool:
            before = baselines(folders, pool)
            total = summarise([one.judged.verdict for one in before.values() if one.judged.verdict])
            print(
                f"{len(numbers)} numbers over {len(before)} runs: detected {total['detected']}, "
                f"named {total['named']}, false alarms a tank-week {total['false_per_tank_week']}"
            )
            print(
                f"{'number':40}{'value':>12}{'changed':>12}  runs  gone   new  blvd words detct named false"
            )
            todo = [
                (Change(name, other), before, args.matters)
                for name, value in numbers
                for factor in FACTORS
                if (other := scaled(value, factor)) != value
            ]
            values, mattering = dict(numbers), set[str]()
            for row in pool.imap(_job, todo, chunksize=1):
                name = row.change.name
                if row.matters:
                    mattering.add(name)
                figures = f"{row.runs:6d}{row.gone:6d}{row.new:6d}{row.believed:6d}{row.words:6d}"
                hits = f"{row.detected:+6d}{row.named:+6d}{row.false:+6d}"
                print(
                    f"{name:40}{values[name]:12.6g}{row.change.value:12.6g}{figures}{hits}  {row.where}",
                    flush=True,
                )
    read = frozenset().union(*(one.read for one in before.values()))
    idle = [name for name, _ in numbers if name not in mattering]
    print(
        f"\n{len(numbers)} numbers in {time.monotonic() - began:.0f} s; {len(idle)} change nothing in any run"
    )
    for name in idle:
        print(f"- {name}{'' if name in read else ' (not read)'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
