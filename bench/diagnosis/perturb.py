"""Whether a wrong number is noticed: 24 numbers by chance, each half as much again or two fifths less.

    python -m bench.diagnosis.perturb --keep DIR [--sample 24 --seed 1] [--family heat] [--no-gate]

For each, the fast tests of its family are run up to the first that fails (`--wide`: the others', too); where
none does, the diagnosis gate's runs are judged, up to the first that departs from what is frozen. A number
that neither notices survives: it needs a short run or a test of what it is for, or it is not needed. Tests
that only repeat the table of numbers (`test_no_number_changes_by_accident`) are left out: they notice all and
say nothing.
Exit status 1 where fewer than five in six are caught.
"""

from __future__ import annotations

import argparse
import gc
import multiprocessing
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench.diagnosis.changed_number import VARIABLE, text_of
from bench.diagnosis.changes import Change, chosen, departs, noting_reads, scaled
from bench.diagnosis.frozen import FROZEN, load
from bench.diagnosis.sensitivity import runs_in
from bench.diagnosis.trace import Trace
from rushlight.analysis.watch.catalogue import catalogue, family_of

__all__ = ["caught_by_gate", "caught_by_tests", "drawn", "tests_of"]

ROOT = Path(__file__).parents[2]
FACTORS = (0.6, 1.5)
WANTED = 5 / 6
FAST = ("detectors", "estimators", "physics", "alarms")
TESTED_WITH = {
    "estimators": ("test_probe",),
    "patience": ("test_frame_limits", "test_temperature_limits"),
    "physics": ("test_hardness_limits", "test_doubt_limits"),
    "probes": ("test_leap_limits", "test_still_limits", "test_light_end"),
    "stray_current": ("test_current_limits", "test_restless_current"),
}
"""Numbers that are tested through those who use them, or in a file of another name."""
TABLES = "changes_by_accident"
"""In the names of tests that repeat the table of numbers."""
_LIMIT_S = 1200


def drawn(numbers: list[tuple[str, float]], sample: int, seed: int) -> list[Change]:
    """So many numbers, each scaled by one of both factors."""
    chance = random.Random(seed)
    some = chance.sample(numbers, min(sample, len(numbers)))
    return [Change(name, scaled(value, chance.choice(FACTORS))) for name, value in some]


def tests_of(family: str, wide: bool = False) -> list[str]:
    """The fast tests of that family, all where it has none of its own; `wide`: the others' behind them.

    Those at the edges of its rules come first: they notice most, and soonest.
    """
    words = (family.removesuffix("s"), *TESTED_WITH.get(family, ()))
    rest = []
    for room in FAST:
        for path in sorted((ROOT / "tests" / "analysis" / room).rglob("test_*.py")):
            rest.append(str(path.relative_to(ROOT)))
    own = [path for path in rest if any(word in path.removeprefix("tests/analysis/") for word in words)]
    own.sort(key=lambda path: not path.endswith("_limits.py"))
    return own if own and not wide else own + [path for path in rest if path not in own]


def caught_by_tests(change: Change | None, tests: list[str]) -> str:
    """The first test that fails with the number changed; "" where all pass."""
    environment = os.environ | ({VARIABLE: text_of(change)} if change is not None else {})
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-q",
        "--no-header",
        "--tb=no",
        "-rfE",
        "-p",
        "no:cacheprovider",
    ]
    command += ["-p", "bench.diagnosis.changed_number", "--timeout=600", "-k", f"not {TABLES}", *tests]
    try:
        done = subprocess.run(
            command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=_LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired:
        return "the tests take too long"
    if done.returncode == 0:
        return ""
    lines = (done.stdout + done.stderr).splitlines()
    failed = [line for line in lines if line.startswith(("FAILED", "ERROR"))]
    return failed[0] if failed else f"pytest ends with {done.returncode}: {lines[-1] if lines else ''}"


def caught_by_gate(change: Change, traces: dict[Path, Trace], reads: dict[Path, frozenset[str]]) -> str:
    """Where the first run that reads the number departs from its trace; "" where none does."""
    for folder, trace in traces.items():
        if change.name in reads[folder] and (where := departs(folder, change, trace)):
            return where
    return ""


def _gate_job(job: tuple[Change, dict[Path, Trace], dict[Path, frozenset[str]]]) -> str:
    return caught_by_gate(*job)


def _as_it_is(job: tuple[Path, Trace]) -> tuple[Path, str, frozenset[str]]:
    """Where a run departs from its trace with nothing changed, and the numbers that it reads."""
    with noting_reads() as read:
        where = departs(job[0], None, job[1])
    return job[0], where, frozenset(read)


def frozen_traces(folder: Path, processes: int, short: bool = False) -> dict[Path, Trace]:
    """The gate's runs in `folder` with what is frozen of them."""
    frozen = load(FROZEN)
    return {one: frozen[one.name].trace for one in runs_in(folder, processes=processes, short=short)}


def _say(change: Change, seen: str) -> None:
    print(f"{text_of(change):50} {'caught' if seen else 'NOT SEEN'}  {seen[:110]}", flush=True)


def _unnoticed_by_tests(changes: list[Change], wide: bool) -> list[Change]:
    """The changes that no test notices; ValueError where a test fails with nothing changed."""
    families = {name: family_of(numbers) for name, numbers in catalogue().items()}
    left, checked = [], set[str]()
    for change in changes:
        tests = tests_of(families[change.name.split(".")[0]], wide)
        if not checked.issuperset(tests) and (wrong := caught_by_tests(None, tests)):
            raise ValueError(f"fails with all numbers as they are: {wrong}")
        checked.update(tests)
        seen = caught_by_tests(change, tests)
        _say(change, seen)
        if not seen:
            left.append(change)
    return left


def _unnoticed_by_gate(changes: list[Change], keep: Path, jobs: int, short: bool) -> list[Change]:
    """The changes that no run of the gate notices; ValueError where one departs with nothing changed."""
    left, reads = [], {}
    with multiprocessing.Pool(jobs, gc.disable) as pool:
        traces = frozen_traces(keep, jobs, short)
        for folder, wrong, read in pool.imap(_as_it_is, traces.items(), chunksize=1):
            reads[folder] = read
            if wrong:
                raise ValueError(f"differs with all numbers as they are: {wrong}")
        by_gate = pool.imap(_gate_job, [(change, traces, reads) for change in changes], chunksize=1)
        for change, seen in zip(changes, by_gate, strict=True):
            _say(change, seen)
            if not seen:
                left.append(change)
    return left


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--keep", type=Path, default=None, help="where the gate's runs are kept")
    parser.add_argument("--family", default=None, help="only numbers of this family, as heat")
    parser.add_argument("--number", default=None, help="only numbers that have this in their name")
    parser.add_argument("--sample", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wide", action="store_true", help="the other families' tests, too")
    parser.add_argument("--short", action="store_true", help="of the gate only its short runs")
    parser.add_argument("--no-gate", action="store_true", help="tests only")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    changes = drawn(chosen(args.family, args.number), args.sample, args.seed)
    if not changes:
        print("perturb: no such number; see rushlight.analysis.watch.catalogue", file=sys.stderr)
        return 1
    began = time.monotonic()
    try:
        survivors = _unnoticed_by_tests(changes, args.wide)
        if survivors and not args.no_gate:
            with tempfile.TemporaryDirectory() as scratch:
                survivors = _unnoticed_by_gate(survivors, args.keep or Path(scratch), args.jobs, args.short)
    except ValueError as error:
        print(f"perturb: {error}", file=sys.stderr)
        return 1
    caught = len(changes) - len(survivors)
    print(f"\n{caught} of {len(changes)} caught in {time.monotonic() - began:.0f} s")
    for change in survivors:
        print(f"- {text_of(change)}")
    return 0 if caught >= WANTED * len(changes) else 1


if __name__ == "__main__":
    sys.exit(main())
