"""The mutation run over the safety code: acknowledgement, transaction, outbox, restore, locks.

    python -m bench.mutation [--file collector/service/loop.py] [--sample 40 --seed 1] [--workers 2] [--list]

The tree is copied to a temporary folder. First all tests of the areas below run once without a fault; for
each is noted how long it takes and which functions it goes through (`--map FILE` keeps that for the next
run). Then one small fault at a time is put in, and the tests that go through its function are run, the
quickest first, until one fails. A mutant that none fails for is printed as a survivor, exit status 1. Mutants
that change nothing that matters are listed by hand, each with its reason, in `equivalent.toml`.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import msgspec

from bench.mutation.areas import AREAS, Area
from bench.mutation.mutants import Mutant, mutants_of
from bench.mutation.worker import Job, Outcome

ROOT = Path(__file__).parents[2]
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
_COPIED = (
    "src",
    "analysis",
    "collector",
    "simulator",
    "tests",
    "bench",
    "docker",
    "firmware_notes",
    "pyproject.toml",
)
_ALL_S = 12.0  # seconds of tests for one mutant, measured without a fault; `--seconds`
_FIRST_S = 900.0
_SLOW = 5.0  # the machine has other work, and a fault may make a test wait: so many times as long
_LEAST_S = 10.0


def files(area: Area) -> Iterator[str]:
    """Paths of an area's safety code, relative to the tree."""
    for path in sorted((ROOT / area.folder).glob("*.py")):
        if path.stem not in f"{area.files_left_out} __init__".split():
            yield f"{area.folder}/{path.name}"


def test_files(path: str) -> list[str]:
    """Of a folder, or the file itself; a file that is new is learnt, too."""
    if path.endswith(".py"):
        return [path] if (ROOT / path).exists() else []
    return [str(file.relative_to(ROOT)) for file in (ROOT / path).rglob("test_*.py")]


def equivalents() -> set[str]:
    """Names of the mutants, without their file, that were looked at and change nothing that matters."""
    rows = tomllib.loads(EQUIVALENT.read_text())["mutant"]
    assert all(row["reason"] for row in rows)
    return {
        Mutant("", row["function"], row["was"], row["becomes"], row.get("no", 1) - 1, "").fault
        for row in rows
    }


def mutants(file: str | None = None) -> list[tuple[Area, Mutant]]:
    """All that are to be tried, of one file or of each."""
    known = equivalents()
    return [
        (area, mutant)
        for area in AREAS
        for path in files(area)
        if file is None or path == file
        for mutant in mutants_of(path, (ROOT / path).read_text(), area.functions_left_out)
        if mutant.fault not in known
    ]


def copy_tree(folder: Path) -> None:
    """What the tests need, without what a run leaves."""
    for name in _COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(
                source, folder / name, symlinks=True, ignore=shutil.ignore_patterns("__pycache__")
            )
        else:
            shutil.copy(source, folder / name)


class Worker:
    """A copy of the tree and the process that runs tests in it."""

    def __init__(self, folder: Path, tests: list[str]) -> None:
        folder.mkdir()
        copy_tree(folder)
        self.folder = folder
        self._process = subprocess.Popen(
            [sys.executable, "-m", "bench.mutation.worker", str(folder), *tests],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )

    def wait(self) -> None:
        """Until it has imported the tree: a fault put in before that would stay in each fork."""
        assert self._process.stdout is not None
        if self._process.stdout.readline() != "ready\n":
            sys.exit("bench.mutation: the tests can't be collected")

    def run(self, job: Job) -> Outcome:
        """The tests on the tree as it is."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(msgspec.json.encode(job).decode() + "\n")
        self._process.stdin.flush()
        return msgspec.json.decode(self._process.stdout.readline(), type=Outcome)

    def tried(self, mutant: Mutant, job: Job) -> Outcome:
        """The tests with the fault in the tree."""
        path = self.folder / mutant.file
        whole = path.read_text()
        compiled = path.parent / "__pycache__"
        try:
            for left in compiled.glob(f"{path.stem}.*.pyc"):  # known by whole seconds and size only
                left.unlink()
            path.write_text(mutant.source)
            return self.run(job)
        finally:
            path.write_text(whole)

    def close(self) -> None:
        with suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._process.wait()


class Map:
    """Which tests go through a function, the quickest first."""

    def __init__(self, found: dict[str, dict[str, Any]], seconds: float) -> None:
        self._seconds = seconds
        self._tests: dict[str, list[tuple[float, str]]] = {}
        for test, entry in found.items():
            for function in entry["functions"]:
                self._tests.setdefault(function, []).append((entry["s"], test))

    def job(self, mutant: Mutant) -> Job | None:
        """The run for a mutant; None where no test goes through its function."""
        tests = []
        total = 0.0
        slowest = 0.0
        for seconds, test in sorted(self._tests.get(f"{mutant.file}:{mutant.function}", [])):
            if tests and total + seconds > self._seconds:
                break
            tests.append(test)
            total += seconds
            slowest = seconds
        if not tests:
            return None
        limits = _LEAST_S + _SLOW * total, _LEAST_S + _SLOW * slowest
        return Job(tests, *limits, file=mutant.file, function=mutant.function)


def learn(worker: Worker, wanted: list[str], kept: Path | None, seconds: float) -> Map:
    """Run all tests once without a fault, but those that an earlier run has kept."""
    found: dict[str, dict[str, Any]] = {}
    if kept is not None and kept.exists():
        found = json.loads(kept.read_text())
    new = [test for test in wanted if not any(known.startswith(test) for known in found)]
    if new:
        path = worker.folder / "map.json"
        worker.run(Job(new, _FIRST_S, _FIRST_S, str(path)))
        if not path.exists():
            sys.exit("bench.mutation: the tests without a fault in the tree have not ended: " + " ".join(new))
        found |= json.loads(path.read_text())
        if kept is not None:
            kept.write_text(json.dumps(found))
    for test in [test for test in found if "failed" in found[test]]:
        print(f"left out, fails without a fault: {test}", flush=True)
        del found[test]
    return Map(found, seconds)


def run(
    chosen: list[tuple[Area, Mutant]], workers: int, kept: Path | None = None, seconds: float = _ALL_S
) -> list[Mutant]:
    """The survivors."""
    survivors = []
    with tempfile.TemporaryDirectory(prefix="mutation") as name:
        tests = sorted({test for area, _ in chosen for path in area.tests for test in test_files(path)})
        made = [Worker(Path(name) / str(number), tests) for number in range(workers)]
        free: SimpleQueue[Worker] = SimpleQueue()
        for worker in made:
            worker.wait()
            free.put(worker)
        try:
            known = learn(made[0], tests, kept, seconds)

            def tried(mutant: Mutant) -> str:
                job = known.job(mutant)
                if job is None:
                    return "NO TEST "
                worker = free.get()
                try:
                    outcome = worker.tried(mutant, job)
                finally:
                    free.put(worker)
                if outcome.passed:
                    return "SURVIVES"
                return f"found by {outcome.failed.rpartition('::')[2] or 'no end'}: "

            with ThreadPoolExecutor(workers) as pool:
                results = pool.map(tried, [mutant for _, mutant in chosen])
                for number, ((_, mutant), word) in enumerate(zip(chosen, results, strict=True), 1):
                    print(f"[{number}/{len(chosen)}] {word}  {mutant.name}", flush=True)
                    if not word.startswith("found"):
                        survivors.append(mutant)
        finally:
            for worker in made:
                worker.close()
    return survivors


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--file", action="append", choices=[file for area in AREAS for file in files(area)])
    parser.add_argument("--function", help="only functions whose name has this in it")
    parser.add_argument("--only", type=Path, help="only those whose names are lines of this file")
    parser.add_argument("--sample", type=int, help="so many of them, by chance")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--map", type=Path, help="where to keep which tests go through which function")
    parser.add_argument("--seconds", type=float, default=_ALL_S, help="of tests for each mutant, at most")
    parser.add_argument("--list", action="store_true", help="print the mutants, run nothing")
    arguments = parser.parse_args()
    only = arguments.only.read_text().splitlines() if arguments.only else None
    chosen = [
        (area, mutant)
        for file in arguments.file or [None]
        for area, mutant in mutants(file)
        if not arguments.function or arguments.function in mutant.function
        if only is None or mutant.name in only
    ]
    if arguments.sample is not None and arguments.sample < len(chosen):
        chosen = random.Random(arguments.seed).sample(chosen, arguments.sample)
    if arguments.list:
        print("\n".join(mutant.name for _, mutant in chosen))
        return 0
    began = time.monotonic()
    survivors = run(chosen, max(1, arguments.workers), arguments.map, arguments.seconds)
    print(f"\n{len(chosen)} mutants in {time.monotonic() - began:.0f} s, {len(survivors)} survive")
    for mutant in survivors:
        print(f"- {mutant.name}")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
