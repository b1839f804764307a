"""What was judged in the gate's runs, kept in the repository: a change of it is seen.

    python -m bench.diagnosis.gate --freeze     # write it anew, on purpose, and look at what git says of it

`frozen.json` has a line for each figure of each family in each run, a day beside the other, so that a person
can read in a difference of two versions of it what a change has done.
"""

from __future__ import annotations

import json
import zlib
from pathlib import Path

import msgspec

from bench.diagnosis.trace import Trace

__all__ = ["FROZEN", "Run", "differences", "digest_of", "load", "save"]

FROZEN = Path(__file__).with_name("frozen.json")
_NONE = "-"


class Run(msgspec.Struct):
    """One run: the digest of what went in, and what was judged."""

    readings: str
    trace: Trace


def digest_of(folder: Path) -> str:
    """Of a run's readings and settings."""
    digest = zlib.crc32((folder / "readings.csv").read_bytes())
    return f"{zlib.crc32((folder / 'rushlight.toml').read_bytes(), digest):08x}"


def save(path: Path, runs: dict[str, Run]) -> None:
    """Write them, in an order that does not change."""
    out: dict[str, object] = {}
    for name, run in sorted(runs.items()):
        families: dict[str, object] = {}
        for family, days in sorted(run.trace.days.items()):
            means = run.trace.means.get(family, {})
            families[family] = {
                "judged": " ".join(days),
                "learnt": " ".join(run.trace.learnt.get(family, [])),
            } | {belief: " ".join(figures) for belief, figures in sorted(means.items())}
        out[name] = {"readings": run.readings, "alarms": run.trace.events, "families": families}
    path.write_text(json.dumps(out, indent=0, ensure_ascii=False) + "\n", encoding="utf-8")


def load(path: Path) -> dict[str, Run]:
    """What `save` has written.

    Raises
    ------
    FileNotFoundError
        Nothing has been frozen.
    """
    runs = {}
    for name, run in json.loads(path.read_text(encoding="utf-8")).items():
        families = {family: dict(lines) for family, lines in run["families"].items()}
        days = {family: lines.pop("judged").split() for family, lines in families.items()}
        learnt = {family: lines.pop("learnt").split() for family, lines in families.items()}
        means = {
            family: {belief: figures.split() for belief, figures in lines.items()}
            for family, lines in families.items()
        }
        runs[name] = Run(run["readings"], Trace(run["alarms"], days, learnt, means))
    return runs


def differences(was: dict[str, Run], now: dict[str, Run]) -> list[str]:
    """Each difference in words: run, family, when, what was and what is."""
    out = [f"{name}: is frozen and was not judged" for name in sorted(was.keys() - now.keys())]
    out += [f"{name}: was judged and is not frozen" for name in sorted(now.keys() - was.keys())]
    for name in sorted(was.keys() & now.keys()):
        found = _of_run(was[name].trace, now[name].trace)
        if found and was[name].readings != now[name].readings:
            found = ["its readings or settings are others than when it was frozen", *found]
        out += [f"{name}: {line}" for line in found]
    return out


def _of_run(was: Trace, now: Trace) -> list[str]:
    out = []
    if was.events != now.events:
        out += [f"alarm that was: {text}" for text in was.events if text not in now.events]
        out += [f"alarm that is new: {text}" for text in now.events if text not in was.events]
        if not out:
            out.append(f"alarms come in another order: were {was.events}, are {now.events}")
    for family in sorted(was.days.keys() | now.days.keys()):
        judged = _other_days(was.days.get(family, []), now.days.get(family, []))
        learnt = _other_days(was.learnt.get(family, []), now.learnt.get(family, []))
        if judged:
            figures = _figures(was.means.get(family, {}), now.means.get(family, {}), judged[0])
            out.append(f"{family}, day {_few(judged)}: {figures}")
        elif learnt:
            out.append(f"{family}, day {_few(learnt)}: what it keeps in mind; it judges as before")
    return out


def _other_days(was: list[str], now: list[str]) -> list[int]:
    return [day for day in range(max(len(was), len(now))) if was[day : day + 1] != now[day : day + 1]]


def _few(days: list[int]) -> str:
    return ", ".join(str(day + 1) for day in days[:6]) + (" …" if len(days) > 6 else "")


def _figures(was: dict[str, list[str]], now: dict[str, list[str]], day: int) -> str:
    """The figures of that day that are others."""
    said = []
    for belief in sorted(was.keys() | now.keys()):
        before = (was.get(belief, [])[day : day + 1] or [_NONE])[0]
        after = (now.get(belief, [])[day : day + 1] or [_NONE])[0]
        if before != after:
            said.append(f"{belief} was {before}, is {after}")
    return (
        "; ".join(said) or "what it found or said to others, its figures being as they were to the day's mean"
    )
