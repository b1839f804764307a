"""Judge the alarms against the truth.

    python -m bench.diagnosis.score DIR [--out score.json] [--nominal-only | --faults-only | --only ALARM]
    python -m bench.diagnosis.score DIR --events plain.jsonl     # judge files that are already there
    python -m bench.diagnosis.score DIR --world coarse two-periods   # of several kinds of tank, these only
    python -m bench.diagnosis.score DIR --peers --plots OUT   # and the peers: OUT/report.md

Terms
-----
detected
    A `raised` event of the right tank with the right, an accepted or a related name, from ten minutes before
    the onset up to the harm (for a fault that harms nobody soon: its stated deadline).
named
    As detected, but with the right or an accepted name (for `probe-fault` also the right `quantity`).
first name
    The first alarm raised after the onset, excused side effects aside, has the right or an accepted name.
before worse
    Named before the truth is a margin beyond the livestock's limit (CO2 25 % over, 1 °C, pH 0.3).
false alarm
    A `raised` event that is not right, accepted, related or excused in that run, or that comes more than ten
    minutes before the onset. Everything raised in a nominal run is false.
with settings
    Only faults whose defining setting was given (a lamp's or valve's schedule, a heater's set point).
warning
    Hours from the first alarm that counts as detected to the harm; 0 where there was none before the harm.
kind of tank
    Each has a row of its own, with 95 % intervals (`worlds/`); "usual" where nothing else is said.
harmful fault
    One whose truth crosses a limit of the livestock (`acute`), and every `power-interrupted`.
"""

from __future__ import annotations

import argparse
import importlib
import json
import multiprocessing
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from bench.diagnosis.judgement import judge, seconds
from bench.diagnosis.summary import print_failures, print_table, print_worlds, summarise
from bench.diagnosis.worlds import WORLDS

__all__ = ["judge", "main", "print_failures", "print_worlds", "replay", "seconds", "summarise"]


def replay(folder: Path, command: list[str] | None, older: bool = False) -> tuple[float, str]:
    """Run the replay over one folder into its `events.jsonl`; returns (seconds taken, error or "")."""
    config, csv, events = folder / "rushlight.toml", folder / "readings.csv", folder / "events.jsonl"
    if older:
        config = _without_new_keys(config)
    begin = time.perf_counter()
    error = ""
    events.unlink(missing_ok=True)
    try:
        if command is None:
            module = importlib.import_module("rushlight.analysis.replay.files")
            module.replay_files(config, [csv], events)
        else:
            done = subprocess.run(
                [*command, "replay", "--config", str(config), "--events", str(events), str(csv)],
                capture_output=True,
                text=True,
                check=False,
            )
            if done.returncode:
                error = f"exit {done.returncode}: {done.stderr.strip()[-300:]}"
    except Exception as problem:  # one broken run must not hide the others
        error = f"{type(problem).__name__}: {problem}"
    return time.perf_counter() - begin, error


def _without_new_keys(config: Path) -> Path:
    """The settings without the keys that the kinds of tank brought, for a program that refuses them."""
    new = {key for kind in WORLDS.values() for key in kind.keys}
    lines = config.read_text(encoding="utf-8").splitlines(keepends=True)
    older = config.with_name("rushlight-older.toml")
    older.write_text("".join(x for x in lines if x.split(" = ")[0] not in new), encoding="utf-8")
    return older


def _job(job: tuple[Path, str, list[str] | None, bool, bool]) -> tuple[dict[str, Any], float, str]:
    folder, name, command, run, older = job
    taken, error = replay(folder, command, older) if run else (0.0, "")
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8")) | {"scenario": folder.name}
    path = folder / name
    events = []
    if path.exists():
        events = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    elif not run:
        error = f"{path} is missing; make it first"
    return judge(truth, events), taken, error


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("directory", type=Path)
    parser.add_argument("--events", default=None, help="score this file of each folder; run nothing")
    parser.add_argument("--command", default=None, help="run this program instead, e.g. rushlight")
    parser.add_argument("--nominal-only", action="store_true")
    parser.add_argument("--faults-only", action="store_true")
    parser.add_argument("--only", default=None, help="only scenarios of this alarm")
    parser.add_argument("--world", nargs="+", choices=tuple(WORLDS), help="only runs of these kinds of tank")
    parser.add_argument(
        "--older", action="store_true", help="leave out settings that only a program with these worlds knows"
    )
    parser.add_argument("--limit", type=int, default=None, help="only the first so many scenarios")
    parser.add_argument("--out", type=Path, default=None)
    parser.add_argument("--no-failures", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--peers", action="store_true", help="judge the peers too, over the same runs")
    parser.add_argument("--plots", type=Path, default=Path("report"), help="where --peers puts its report")
    args = parser.parse_args(arguments)
    folders = []
    for path in sorted(args.directory.glob("*/truth.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        fault = truth["kind"] == "fault"
        if (args.nominal_only and fault) or (args.faults_only and not fault):
            continue
        if args.only and truth.get("alarm") != args.only:
            continue
        if args.world and truth.get("world", "usual") not in args.world:
            continue
        folders.append(path.parent)
    folders = folders[: args.limit]
    if not folders:
        print(f"{args.directory}: no scenario fits; make some with bench.diagnosis.generate", file=sys.stderr)
        return 1
    command = args.command.split() if args.command else None
    jobs = [(f, args.events or "events.jsonl", command, args.events is None, args.older) for f in folders]
    with multiprocessing.Pool(args.jobs) as pool:
        done = pool.map(_job, jobs, chunksize=1)
    verdicts = [d[0] for d in done]
    total = summarise(verdicts)
    errors = {f.name: d[2] for f, d in zip(folders, done, strict=True) if d[2]}
    print_table(total)
    print_worlds(verdicts)
    if args.events is None:
        print(f"replay: {sum(d[1] for d in done):.0f} s of work for {len(done)} runs")
    if not args.no_failures:
        print_failures(verdicts)
    for name, error in errors.items():
        print(f"ERROR {name}: {error}", file=sys.stderr)
    if args.peers:
        from bench.diagnosis.report import compare

        with multiprocessing.Pool(args.jobs) as pool:
            compare(folders, args.plots, pool)
    if args.out:
        args.out.write_text(json.dumps({"total": total, "runs": verdicts, "errors": errors}, indent=1) + "\n")
    return 1 if errors else 0


if __name__ == "__main__":
    sys.exit(main())
