"""Which numbers no run comes near: all of them followed at once, each as it is, scaled down and scaled up.

    python -m bench.diagnosis.edges --keep DIR [--family heat] [--only lamp,lamp-dims]

`perturb` and `sensitivity` judge a run anew for each changed number, which takes hours for all. Here a run is
judged once, with numbers that carry along what they would be if they were other ones. Where a comparison or a
figure that is written into the trace would then come out otherwise, the run is at that number's edge. A
number that no run has at its edge survives every change for sure; one that is at an edge may still survive,
which only `perturb` can say. What goes through a function of `math` is lost from sight.
"""

from __future__ import annotations

import argparse
import contextlib
import operator
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec

from bench.diagnosis.changes import chosen, noting_reads, scaled, traced
from bench.diagnosis.recorded import ClockPutBack, recorded
from bench.diagnosis.short_runs import SHORT_RUNS, make
from rushlight.analysis.watch.catalogue import catalogue

__all__ = ["FACTORS", "Followed", "followed", "following"]

FACTORS = (0.6, 1.5)
MOST = 6
"""A figure that so many numbers have gone into follows no more of them."""

_SEEN: set[tuple[str, int]] = set()
Others = dict[tuple[str, int], Any]


class Followed:
    """What a followed figure can do: arithmetic that carries the others along, comparisons that note."""

    others: Others

    def __format__(self, spec: str) -> str:
        text = format(_bare(self), spec)
        _note(self.others, lambda other: format(other, spec) != text)
        return text

    def __hash__(self) -> int:
        return hash(_bare(self))

    def __bool__(self) -> bool:
        said = bool(_bare(self))
        _note(self.others, lambda other: bool(other) != said)
        return said

    def __round__(self, digits: int | None = None) -> Any:
        return _with(round(_bare(self), digits), self.others, lambda other: round(other, digits))

    def __int__(self) -> Any:
        return _with(int(_bare(self)), self.others, int)

    def __abs__(self) -> Any:
        return _with(abs(_bare(self)), self.others, abs)

    def __neg__(self) -> Any:
        return _with(-_bare(self), self.others, operator.neg)


class FollowedFloat(Followed, float):
    """A float that is followed."""


class FollowedInt(Followed, int):
    """A whole number that is followed."""


def _bare(value: Any) -> Any:
    if isinstance(value, FollowedFloat):
        return float.__pos__(value)
    return int.__pos__(value) if isinstance(value, FollowedInt) else value


def _note(others: Others, differs: Callable[[Any], bool]) -> None:
    for key, other in others.items():
        if key not in _SEEN and differs(other):
            _SEEN.add(key)


def followed(value: Any, others: Others) -> Any:
    """`value`, which would be another in the case of each key of `others`."""
    others = {key: other for key, other in others.items() if key not in _SEEN and other != value}
    if not others or isinstance(value, bool) or len(others) > MOST:
        return value
    out: Any = FollowedInt(value) if isinstance(value, int) else FollowedFloat(value)
    out.others = others
    return out


def _with(value: Any, others: Others, change: Callable[[Any], Any]) -> Any:
    try:
        return followed(value, {key: change(other) for key, other in others.items()})
    except ArithmeticError:
        return value


def _both(left: Any, right: Any) -> Iterator[tuple[tuple[str, int], Any, Any]]:
    """Each case of either side: its key, and both sides in it."""
    ours, theirs = getattr(left, "others", {}), getattr(right, "others", {})
    for key in {**ours, **theirs}:
        yield key, ours.get(key, _bare(left)), theirs.get(key, _bare(right))


def _arithmetic(what: Callable[[Any, Any], Any], swapped: bool) -> Callable[[Any, Any], Any]:
    def work(self: Any, other: Any) -> Any:
        if not isinstance(other, int | float):
            return NotImplemented
        left, right = (other, self) if swapped else (self, other)
        said = what(_bare(left), _bare(right))
        others: Others = {}
        for key, a, b in _both(left, right):
            try:
                others[key] = what(a, b)
            except ArithmeticError:
                _SEEN.add(key)
        return followed(said, others)

    return work


def _comparison(what: Callable[[Any, Any], bool]) -> Callable[[Any, Any], Any]:
    def compare(self: Any, other: Any) -> Any:
        if not isinstance(other, int | float):
            return NotImplemented
        said = what(_bare(self), _bare(other))
        for key, a, b in _both(self, other):
            if key not in _SEEN and what(a, b) != said:
                _SEEN.add(key)
        return said

    return compare


for _name in ("add", "sub", "mul", "truediv", "floordiv", "mod", "pow"):
    setattr(Followed, f"__{_name}__", _arithmetic(getattr(operator, _name), swapped=False))
    setattr(Followed, f"__r{_name}__", _arithmetic(getattr(operator, _name), swapped=True))
for _name in ("lt", "le", "gt", "ge", "eq", "ne"):
    setattr(Followed, f"__{_name}__", _comparison(getattr(operator, _name)))


@contextlib.contextmanager
def following(names: list[tuple[str, float]]) -> Iterator[set[tuple[str, int]]]:
    """Let these numbers be followed within; gives those seen at an edge: a name and which of `FACTORS`."""
    _SEEN.clear()
    found, before = catalogue(), []
    for name, value in names:
        instance, _, field = name.partition(".")
        others = {(name, n): scaled(value, factor) for n, factor in enumerate(FACTORS)}
        before.append((found[instance], field, value))
        msgspec.structs.force_setattr(found[instance], field, followed(value, others))
    try:
        yield _SEEN
    finally:
        for numbers, field, value in before:
            msgspec.structs.force_setattr(numbers, field, value)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--keep", type=Path, default=None, help="where the runs are kept")
    parser.add_argument("--family", default=None, help="only numbers of this family, as heat")
    parser.add_argument("--number", default=None, help="only numbers that have this in their name")
    parser.add_argument("--only", default="", help="only these short runs")
    args = parser.parse_args(arguments)
    numbers, began = chosen(args.family, args.number), time.monotonic()
    only = [one for one in args.only.split(",") if one]
    seen: set[tuple[str, int]] = set()
    read: set[str] = set()
    with tempfile.TemporaryDirectory() as scratch:
        for run in SHORT_RUNS:
            if only and run.name not in only:
                continue
            folder = (args.keep or Path(scratch)) / run.name
            make(folder, run.name)
            try:
                recorded(folder)
            except ClockPutBack:
                continue  # the state is saved and moved there, which takes plain numbers
            left = [(name, value) for name, value in numbers if not {(name, 0), (name, 1)} <= seen]
            with following(left) as found, noting_reads() as looked:
                _, events = traced(folder, by_readings=False)
                for _ in events:
                    pass
                new = found - seen
                seen |= found
                read |= looked
            print(f"{run.name:28}{len(new):5d} new, {time.monotonic() - began:5.0f} s", file=sys.stderr)
    print(f"{len(numbers)} numbers, each down and up: {len(seen)} of {2 * len(numbers)} at an edge")
    for name, value in numbers:
        missing = [f"x{factor}" for n, factor in enumerate(FACTORS) if (name, n) not in seen]
        if missing:
            print(f"- {name}={value:g} {' '.join(missing)}{'' if name in read else ' (not read)'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
