"""A gate on quality: a small fixed set of runs, and floors under which no change may fall.

    python -m bench.diagnosis.gate               # make the runs, judge them, compare with gate.toml
    python -m bench.diagnosis.gate --keep DIR    # leave the runs there, or use those that are there

Two runs of each fault and six without any, always the same. The set is for tuning, and small: it shows that
something broke, not how good the analysis is (`score` over unseen seeds does).
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
import time
import tomllib
from pathlib import Path
from typing import Any

from bench.diagnosis.faults import FAULTS
from bench.diagnosis.scenarios import build
from bench.diagnosis.score import _job
from bench.diagnosis.summary import print_failures, summarise

FLOORS = Path(__file__).with_name("gate.toml")
SEED = 40
EACH, NOMINAL = 2, 6


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


def measure(folder: Path, processes: int = 2) -> tuple[dict[str, Any], list[dict[str, Any]], list[str]]:
    """Make what is missing of the set in `folder` and judge it: totals, verdicts, errors."""
    missing = [job for job in jobs(folder) if not (job[0] / "truth.json").exists()]
    with multiprocessing.Pool(processes) as pool:
        pool.starmap(build, missing, chunksize=1)
        todo = [(job[0], "events.jsonl", None, True, False) for job in jobs(folder)]
        done = pool.map(_job, todo, chunksize=1)
    verdicts = [verdict for verdict, _, _ in done]
    errors = [f"{v['scenario']}: {error}" for v, _, error in done if error]
    return summarise(verdicts), verdicts, errors


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status: 1 where a figure is below its floor."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--keep", type=Path, default=None, help="where the runs are kept")
    args = parser.parse_args(arguments)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as scratch:
        total, verdicts, errors = measure(args.keep or Path(scratch))
    floors = tomllib.loads(FLOORS.read_text(encoding="utf-8"))
    failed = shortfalls(total, floors) + errors
    named = ", ".join(f"{name} {total[name]:.3f}" for name in (*floors["at_least"], *floors["at_most"]))
    print(f"diagnosis gate: {len(verdicts)} runs in {time.monotonic() - began:.0f} s: {named}")
    if failed:
        print_failures(verdicts)
        for line in failed:
            print(f"diagnosis gate: {line}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
