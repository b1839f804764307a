"""Which changed numbers the tests notice: collected once, then a process forked for each change.

    python -m bench.diagnosis.number_tests [--family power] [--number MAINS.] TESTS…

As `perturb --no-gate`, for all numbers of a family and both ways, in a fraction of the time: nothing is
imported or collected twice. A number that is read while a module is imported is not seen to change.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import sys
import time
from pathlib import Path

import pytest

from bench.diagnosis.changed_number import text_of
from bench.diagnosis.changes import Change, changed, chosen, scaled
from bench.diagnosis.perturb import FACTORS, ROOT, TABLES, tests_of

__all__ = ["Forked", "survivors"]


class Forked:
    """A plugin of pytest that runs what was collected once for each change, each up to the first failure."""

    def __init__(self, changes: list[Change]) -> None:
        self.changes = changes
        self.survived: list[Change] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            raise session.Interrupted(f"{session.testsfailed} errors during collection")
        if self._fails(session, None):
            raise session.Interrupted("the tests fail with all numbers as they are")
        self.survived = [change for change in self.changes if not self._fails(session, change)]
        return True

    @staticmethod
    def _fails(session: pytest.Session, change: Change | None) -> bool:
        child = os.fork()
        if child:
            return os.waitpid(child, 0)[1] != 0
        try:
            with changed(change), Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
                for item in session.items:
                    item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
                    if session.testsfailed:
                        os._exit(1)
            os._exit(0)
        except BaseException:  # whatever it is, it was noticed
            os._exit(1)


def survivors(changes: list[Change], tests: list[str]) -> list[Change]:
    """The changes that no test notices.

    Raises
    ------
    ValueError
        The tests fail with nothing changed.
    """
    plugin, said = Forked(changes), io.StringIO()
    options = ["-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-k", f"not {TABLES}"]
    with contextlib.redirect_stdout(said):
        status = pytest.main([*options, *tests], plugins=[plugin])
    if status not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        raise ValueError(said.getvalue().strip().splitlines()[-1])
    return plugin.survived


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--family", default=None, help="only numbers of this family, as heat")
    parser.add_argument("--number", default=None, help="only numbers that have this in their name")
    parser.add_argument("tests", nargs="*", help="files of tests; else the family's own")
    args = parser.parse_args(arguments)
    began, found = time.monotonic(), chosen(args.family, args.number)
    os.chdir(ROOT)
    changes = [Change(name, scaled(value, factor)) for name, value in found for factor in FACTORS]
    try:
        left = survivors(changes, args.tests or tests_of(args.family or ""))
    except ValueError as error:
        print(f"number_tests: {error}", file=sys.stderr)
        return 1
    for change in left:
        print(f"- {text_of(change)}")
    print(f"{len(changes) - len(left)} of {len(changes)} noticed in {time.monotonic() - began:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
