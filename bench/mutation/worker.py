"""Runs tests in one copy of the tree, each time in a fork of a process that has imported all of them already.

    python -m bench.mutation.worker FOLDER TEST...

A line of JSON in, a line of JSON out. The fault is on the disk, for what a test starts; in the fork the
function's code is exchanged. With `record` the run also notes, for each test, how long it took and which
functions of the project it went through, so that a fault is tried by the tests that can see it.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import msgspec
import pytest

__all__ = ["Job", "Outcome"]

_ARGUMENTS = ("-q", "-p", "no:cacheprovider", "--assert=plain")
_POLL_S = 0.01


class Job(msgspec.Struct):
    """Tests to run until one fails; `limit_s` for all, `timeout_s` for each.

    `file` and `function`: where a fault has been put in.
    """

    tests: list[str]
    limit_s: float
    timeout_s: float
    record: str = ""
    file: str = ""
    function: str = ""


class Outcome(msgspec.Struct):
    """Whether all passed, and which failed first; "" where none did: it has not ended or not begun."""

    passed: bool
    failed: str = ""


class Recorder:
    """A plugin of pytest: seconds and functions (`file:Class.function`) by test."""

    def __init__(self, folder: Path, records: bool) -> None:
        self._records = records
        self.found: dict[str, dict[str, Any]] = {}
        self.failed: list[str] = []
        self._root = f"{folder}/"
        self._functions: set[str] = set()
        self._codes: dict[Any, str] = {}

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        if not self._records:
            yield
            return
        self._functions = set()
        began = time.monotonic()
        threading.setprofile(self._profile)
        sys.setprofile(self._profile)
        yield
        sys.setprofile(None)
        threading.setprofile(None)
        # the cases of one test count together
        entry = self.found.setdefault(item.nodeid.partition("[")[0], {"s": 0.0, "functions": []})
        entry["s"] += time.monotonic() - began
        entry["functions"] = sorted({*entry["functions"], *self._functions})

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid.partition("[")[0])

    def _profile(self, frame: FrameType, event: str, _: object) -> None:
        if event == "call":
            code = frame.f_code
            name = self._codes.get(code)
            if name is None:
                name = self._codes[code] = self._name(code.co_filename, code.co_qualname)
            if name:
                self._functions.add(name)

    def _name(self, file: str, function: str) -> str:
        if not file.startswith(self._root):
            return ""
        inside = file.removeprefix(self._root).removeprefix("src/rushlight/")
        return f"{inside}:{function.partition('.<locals>')[0]}"


def child(folder: Path, job: Job) -> int:
    """The fork: its output goes nowhere."""
    os.setsid()
    silence()
    if job.file:
        exchange(folder / job.file, job.function)
    arguments = [*_ARGUMENTS, f"--basetemp={folder / 'tmp'}", f"--timeout={job.timeout_s}"]
    recorder = Recorder(folder, bool(job.record))
    if job.record:
        code = pytest.main([*arguments, *job.tests], plugins=[recorder])
        for test in recorder.failed:
            recorder.found[test]["failed"] = True
        Path(job.record).write_text(json.dumps(recorder.found))
    else:
        code = pytest.main(["-x", *arguments, *job.tests], plugins=[recorder])
        (folder / "failed").write_text("".join(recorder.failed[:1]))
    return int(code)


def silence() -> None:
    nowhere = os.open(os.environ.get("MUTATION_OUTPUT", os.devnull), os.O_RDWR | os.O_CREAT | os.O_APPEND)
    for number in (0, 1, 2):
        os.dup2(nowhere, number)
    os.close(nowhere)


def exchange(path: Path, function: str) -> None:
    """Give a function, imported already, the code that is in the file now."""
    made = code_of(compile(path.read_text(), str(path), "exec"), function.split("."))
    real = path.resolve()
    for module in list(sys.modules.values()):
        file = getattr(module, "__file__", None)
        if file and Path(file).resolve() == real:
            found: Any = module
            for name in function.split("."):
                found = vars(found)[name]
            found = found.fget if isinstance(found, property) else getattr(found, "__func__", found)
            while hasattr(found, "__wrapped__"):
                found = found.__wrapped__
            found.__code__ = made


def code_of(code: CodeType, path: list[str]) -> CodeType:
    """The code object of a function inside another one's."""
    for name in path:
        code = next(c for c in code.co_consts if isinstance(c, CodeType) and c.co_name == name)
    return code


def run(folder: Path, job: Job) -> Outcome:
    """Fork, wait, and end what it has left behind; it has a session of its own."""
    (folder / "failed").write_text("")
    process = os.fork()
    if process == 0:
        code = 99
        try:
            code = child(folder, job)
        finally:
            os._exit(code)
    end = time.monotonic() + job.limit_s
    passed = False
    while time.monotonic() < end:
        done, status = os.waitpid(process, os.WNOHANG)
        if done:
            passed = os.waitstatus_to_exitcode(status) == 0
            break
        time.sleep(_POLL_S)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process, signal.SIGKILL)
    with contextlib.suppress(ChildProcessError):
        os.waitpid(process, 0)
    return Outcome(passed, (folder / "failed").read_text())


def main() -> None:
    folder = Path(sys.argv[1])
    answers = os.fdopen(os.dup(1), "w")
    os.chdir(folder)
    sys.path[:0] = [str(folder), str(folder / "src")]
    os.environ["PYTHONPATH"] = str(folder / "src")
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"  # a fault must not stay in a compiled file
    jobs = os.fdopen(os.dup(0))
    silence()
    pytest.main([*_ARGUMENTS, "--collect-only", *sys.argv[2:]])
    sys.dont_write_bytecode = True
    gc.freeze()
    print("ready", file=answers, flush=True)
    for line in jobs:
        outcome = run(folder, msgspec.json.decode(line, type=Job))
        print(msgspec.json.encode(outcome).decode(), file=answers, flush=True)


if __name__ == "__main__":
    main()
