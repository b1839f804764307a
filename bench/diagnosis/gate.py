"""A gate on quality: a small fixed set of runs, and floors under which no change may fall.

    python -m bench.diagnosis.gate               # make the runs, judge them, compare with what is kept
    python -m bench.diagnosis.gate --keep DIR    # leave the runs there, or use those that are there
    python -m bench.diagnosis.gate --freeze      # keep what is judged now, on purpose

Two runs of each fault and six without any, always the same. The set is for tuning, and small: it shows that
something broke, not how good the analysis is (`score` over unseen seeds does). `gate.toml` has the floors.

Besides, what is judged in these runs and in some fifty short ones (`short_runs.py`) is held against
`frozen.json`: each change of an alarm to the minute, and what each family believed. A difference is no fault
by itself; it fails until it has been looked at and frozen.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import tempfile
import time
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from bench.diagnosis.changes import traced
from bench.diagnosis.faults import FAULTS
from bench.diagnosis.frozen import FROZEN, Run, differences, digest_of, load, save
from bench.diagnosis.judgement import judge
from bench.diagnosis.scenarios import build
from bench.diagnosis.short_runs import SHORT_RUNS, make
from bench.diagnosis.summary import print_failures, summarise

FLOORS = Path(__file__).with_name("gate.toml")
SEED = 40
EACH, NOMINAL = 2, 6
SHOWN = 25
"""So many differences are printed."""


def jobs(folder: Path) -> list[tuple[Path, str, int, int, str]]:
    """What to build: each fault `EACH` times, and `NOMINAL` tanks without one."""
    kinds = [name for name in FAULTS for _ in range(EACH)] + ["nominal"] * NOMINAL
    return [(folder / f"gate-{n:03d}", "train", SEED, n, kind) for n, kind in enumerate(kinds)]


def shortfalls(total: dict[str, Any], floors: dict[str, dict[str, float]]) -> list[str]:
    """Each figure that is below its floor or above its ceiling, in words."""
    out = []
    for name, floor in floors["at_least"].items():
        if total[name] is None or total[name] < floor:
            out.append(f"{name} is {total[name]}, the floor is {floor}")
    for name, ceiling in floors["at_most"].items():
        if total[name] is None or total[name] > ceiling:
            out.append(f"{name} is {total[name]}, the ceiling is {ceiling}")
    return out


class Measured(NamedTuple):
    """What the gate found: totals and verdicts of the scored runs, errors, and what was judged in all."""

    total: dict[str, Any]
    verdicts: list[dict[str, Any]]
    errors: list[str]
    runs: dict[str, Run]


def _scored(job: tuple[Path, str, int, int, str]) -> tuple[str, Run | None, dict[str, Any], str]:
    """Make a run where it is missing, and judge it."""
    folder = job[0]
    if not (folder / "truth.json").exists():
        build(*job)
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8")) | {"scenario": folder.name}
    try:
        watch, found = traced(folder)
        events = [msgspec.to_builtins(event) for event in found]
    except Exception as error:  # the other runs are judged all the same
        return folder.name, None, judge(truth, []), f"{type(error).__name__}: {error}"
    return folder.name, Run(digest_of(folder), watch.trace), judge(truth, events), ""


def _short(job: tuple[Path, str]) -> tuple[str, Run | None, str]:
    folder, name = job
    make(folder, name)
    try:
        watch, found = traced(folder)
        for _ in found:
            pass
    except Exception as error:
        return name, None, f"{type(error).__name__}: {error}"
    return name, Run(digest_of(folder), watch.trace), ""


def measure(folder: Path, processes: int = 2) -> Measured:
    """Make what is missing of the set in `folder` and judge it."""
    with multiprocessing.Pool(processes) as pool:
        # the long ones first
        scored = pool.map_async(_scored, jobs(folder), chunksize=1)
        short = pool.map_async(_short, [(folder / run.name, run.name) for run in SHORT_RUNS], chunksize=1)
        done, brief = scored.get(), short.get()
    verdicts = [verdict for _, _, verdict, _ in done]
    runs = {name: run for name, run, *_ in (*done, *brief) if run is not None}
    errors = [f"{name}: {error}" for name, _, _, error in done if error]
    errors += [f"{name}: {error}" for name, _, error in brief if error]
    return Measured(summarise(verdicts), verdicts, errors, runs)


def _against_frozen(runs: dict[str, Run]) -> list[str]:
    """What is judged otherwise than when it was frozen."""
    try:
        return differences(load(FROZEN), runs)
    except FileNotFoundError:
        return [f"{FROZEN.name} is missing; make it with --freeze"]


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status: 1 below a floor, or where something is judged otherwise."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--keep", type=Path, default=None, help="where the runs are kept")
    parser.add_argument("--freeze", action="store_true", help="keep what is judged now")
    parser.add_argument("--all", action="store_true", help="print every difference, not only the first")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        found = measure(args.keep or Path(scratch), args.jobs)
    total = found.total
    floors = tomllib.loads(FLOORS.read_text(encoding="utf-8"))
    failed = shortfalls(total, floors) + found.errors
    named = ", ".join(f"{name} {total[name]:.3f}" for name in (*floors["at_least"], *floors["at_most"]))
    print(f"diagnosis gate: {len(found.runs)} runs in {time.monotonic() - began:.0f} s: {named}")
    if failed:
        print_failures(found.verdicts)
    others = _against_frozen(found.runs)
    if args.freeze and found.errors:
        print("diagnosis gate: nothing is frozen, since a run could not be judged", file=sys.stderr)
    elif args.freeze:
        save(FROZEN, found.runs)
        print(f"diagnosis gate: frozen, {len(others)} differences to what was")
    elif others:
        failed.append(f"{len(others)} differences to what is frozen; where they are meant: --freeze")
    for line in others if args.all else others[:SHOWN]:
        print(f"diagnosis gate: {line}", file=sys.stderr)
    if not args.all and len(others) > SHOWN:
        print(f"diagnosis gate: and {len(others) - SHOWN} more; --all shows them", file=sys.stderr)
    for line in failed:
        print(f"diagnosis gate: {line}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
