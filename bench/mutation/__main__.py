"""The mutation run over the safety code: acknowledgement, transaction, outbox, restore, locks.

    python -m bench.mutation [--file collector/service/loop.py] [--sample 40 --seed 1] [--workers 2] [--list]

The tree is copied to a temporary folder, one small fault at a time is put in, and the tests named below are
run until one fails. A mutant that no test fails for is printed as a survivor, exit status 1. Mutants that
change nothing that matters are listed by hand, each with its reason, in `equivalent.toml`. All of it takes
hours.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from typing import NamedTuple

from bench.mutation.mutants import Mutant, mutants_of

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
_LIMIT_S = 180  # a mutant that hangs is found, too; the selections below take a tenth of it


class Target(NamedTuple):
    """A file, the functions in it that keep nothing safe, and its tests, the quickest first."""

    file: str
    left_out: tuple[str, ...]
    tests: tuple[str, ...]


_STORE = (
    "tests/collector/store/test_store.py",
    "tests/collector/store/test_store_safety.py",
    "tests/collector/store/test_store_durability.py",
)
_NOTICES = ("tests/analysis/notices/test_notices.py", "tests/analysis/notices/test_notices_safety.py")
TARGETS = (
    Target(
        "collector/service/loop.py",
        ("_compact", "_bark", "_report", "system_clock"),
        ("tests/collector/service/test_service.py", "tests/collector/service/test_service_safety.py"),
    ),
    Target(
        "collector/store/database.py",
        ("backup", "check", "_translate"),
        (*_STORE, "tests/test_running_connection.py"),
    ),
    Target("collector/store/outbox.py", (), (*_STORE, *_NOTICES)),
    Target(
        "collector/store/service_lock.py",
        (),
        ("tests/collector/store/test_service_lock.py", "tests/collector/service/test_service.py"),
    ),
    Target(
        "analysis/service/live.py",
        ("_failed",),
        ("tests/analysis/service/test_live.py", "tests/analysis/service/test_live_safety.py"),
    ),
    Target("analysis/notices/notifier.py", (), _NOTICES),
    Target("analysis/notices/queue.py", (), _NOTICES),
)


def equivalents() -> set[str]:
    """Names of the mutants that were looked at and change nothing that matters."""
    rows = tomllib.loads(EQUIVALENT.read_text())["mutant"]
    assert all(row["reason"] for row in rows)
    keys = ("file", "function", "was", "becomes")
    return {Mutant(*(row[key] for key in keys), row.get("no", 1) - 1, "").name for row in rows}


def mutants(file: str | None = None) -> list[tuple[Target, Mutant]]:
    """All that are to be tried, of one file or of each."""
    known = equivalents()
    return [
        (target, mutant)
        for target in TARGETS
        if file is None or target.file == file
        for mutant in mutants_of(target.file, (ROOT / target.file).read_text(), target.left_out)
        if mutant.name not in known
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


def passes(folder: Path, tests: tuple[str, ...]) -> bool:
    """Whether the tests pass on the tree in `folder`."""
    there = [test for test in tests if (folder / test).exists()]
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *there]
    command += [f"--basetemp={folder / 'tmp'}", "--timeout=60"]
    environment = os.environ | {"PYTHONPATH": str(folder / "src"), "PYTHONDONTWRITEBYTECODE": "1"}
    with subprocess.Popen(
        command, cwd=folder, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.STDOUT,
        start_new_session=True,
    ) as process:  # fmt: skip
        try:
            return process.wait(_LIMIT_S) == 0
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, 9)  # its own session: the test run and what it started
            return False


def run(chosen: list[tuple[Target, Mutant]], workers: int) -> list[Mutant]:
    """The survivors."""
    survivors = []
    with tempfile.TemporaryDirectory(prefix="mutation") as name:
        folders: SimpleQueue[Path] = SimpleQueue()
        for number in range(workers):
            folder = Path(name) / str(number)
            folder.mkdir()
            copy_tree(folder)
            folders.put(folder)

        def survives(pair: tuple[Target, Mutant]) -> bool:
            target, mutant = pair
            folder = folders.get()
            path = folder / target.file
            whole = path.read_text()
            try:
                path.write_text(mutant.source)
                return passes(folder, target.tests)
            finally:
                path.write_text(whole)
                folders.put(folder)

        whole = Path(name) / "0"
        for target in {target.file: target for target, _ in chosen}.values():
            if not passes(whole, target.tests):
                sys.exit(f"bench.mutation: the tests of {target.file} fail without a fault in it")
        with ThreadPoolExecutor(workers) as pool:
            results = pool.map(survives, chosen)
            for number, ((_, mutant), alive) in enumerate(zip(chosen, results, strict=True), 1):
                print(
                    f"[{number}/{len(chosen)}] {'SURVIVES' if alive else 'found'}  {mutant.name}", flush=True
                )
                if alive:
                    survivors.append(mutant)
    return survivors


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--file", choices=[target.file for target in TARGETS])
    parser.add_argument("--function", help="only functions whose name has this in it")
    parser.add_argument("--sample", type=int, help="so many of them, by chance")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--list", action="store_true", help="print the mutants, run nothing")
    arguments = parser.parse_args()
    chosen = [
        (target, mutant)
        for target, mutant in mutants(arguments.file)
        if not arguments.function or arguments.function in mutant.function
    ]
    if arguments.sample is not None and arguments.sample < len(chosen):
        chosen = random.Random(arguments.seed).sample(chosen, arguments.sample)
    if arguments.list:
        print("\n".join(mutant.name for _, mutant in chosen))
        return 0
    began = time.monotonic()
    survivors = run(chosen, max(1, arguments.workers))
    print(f"\n{len(chosen)} mutants in {time.monotonic() - began:.0f} s, {len(survivors)} survive")
    for mutant in survivors:
        print(f"- {mutant.name}")
    return 1 if survivors else 0


if __name__ == "__main__":
    sys.exit(main())
