"""Make labelled scenarios: `python -m bench.diagnosis.generate --seed 1 --count 150 --out DIR`.

`--world NAME` (several, or `all`) draws another kind of tank; see `worlds/`.
"""

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
from bench.diagnosis.worlds import WORLDS


def _one(job: tuple[Path, str, int, int, str | None, str]) -> dict[str, Any]:
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
    parser.add_argument(
        "--world",
        nargs="+",
        choices=("all", *WORLDS),
        default=["usual"],
        help="the kind of tank; usual if not given",
    )
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    width = max(3, len(str(args.count - 1)))
    jobs = []
    for world in WORLDS if "all" in args.world else args.world:
        name = f"{args.set}-{args.seed}" if world == "usual" else f"{world}-{args.set}-{args.seed}"
        jobs += [
            (args.out / f"{name}-{i:0{width}d}", args.set, args.seed, i, args.only, world)
            for i in range(args.count)
        ]
    begin, tally = time.monotonic(), collections.Counter[str]()
    with multiprocessing.Pool(args.jobs) as pool:
        for truth in pool.imap_unordered(_one, jobs):
            tally[truth.get("alarm", "nominal")] += 1
    for name, number in sorted(tally.items()):
        print(f"{name:26}{number:5d}")
    print(f"{len(jobs)} scenarios in {args.out}, {time.monotonic() - begin:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
