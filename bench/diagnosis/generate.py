"""Make labelled scenarios: `python -m bench.diagnosis.generate --seed 1 --count 150 --out DIR`."""

from __future__ import annotations

import argparse
import collections
import multiprocessing
import sys
import time
from pathlib import Path
from typing import Any

from bench.diagnosis.faults import FAULTS
from bench.diagnosis.scenarios import build


def _one(job: tuple[Path, str, int, int, str | None]) -> dict[str, Any]:
    return build(*job)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=150)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--set",
        choices=("train", "test"),
        default="train",
        help="train to tune on, test to report; their random streams are apart",
    )
    parser.add_argument("--only", choices=("nominal", *FAULTS), default=None)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    width = max(3, len(str(args.count - 1)))
    jobs = [
        (args.out / f"{args.set}-{args.seed}-{i:0{width}d}", args.set, args.seed, i, args.only)
        for i in range(args.count)
    ]
    begin, tally = time.monotonic(), collections.Counter[str]()
    with multiprocessing.Pool(args.jobs) as pool:
        for truth in pool.imap_unordered(_one, jobs):
            tally[truth.get("alarm", "nominal")] += 1
    for name, number in sorted(tally.items()):
        print(f"{name:26}{number:5d}")
    print(f"{args.count} scenarios in {args.out}, {time.monotonic() - begin:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
