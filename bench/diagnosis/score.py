"""Judge the alarms against the truth.

    python -m bench.diagnosis.score DIR [--out score.json] [--nominal-only | --faults-only | --only ALARM]
    python -m bench.diagnosis.score DIR --events plain.jsonl     # judge files that are already there
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
harmful fault
    One whose truth crosses a limit of the livestock (`acute`), and every `power-interrupted`.
"""

from __future__ import annotations

import argparse
import collections
import datetime as dt
import importlib
import json
import multiprocessing
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

EARLY_S = 600
RELATED: dict[str, set[str]] = {  # a name that sends a person to the right place, though not the cause
    "co2-overdose": {"ph-out-of-range"},
    "co2-absent": {"ph-out-of-range"},
    "ph-out-of-range": {"co2-overdose", "co2-absent"},
    "heater-stuck-on": {"temperature-high"},
    "heater-not-heating": {"temperature-low"},
    "cooling-not-cooling": {"temperature-high"},
    "temperature-high": {"cooling-not-cooling", "heater-stuck-on"},
    "temperature-low": {"heater-not-heating"},
    "light-schedule-drift": {"light-missing", "light-stuck-on"},
    "light-missing": {"light-schedule-drift", "light-dimming"},
    "light-stuck-on": {"light-schedule-drift"},
    "light-dimming": {"light-missing"},
    "probe-fault": set(),
    "device-silent": {"power-interrupted"},
    "power-interrupted": {
        "light-missing",
        "heater-not-heating",
        "device-silent",
        "co2-absent",
        "temperature-low",
    },
    "stray-current-suspected": set(),
    "setting-doubtful": set(),
}

NEEDS = {  # the setting by which an alarm is defined
    "light-schedule-drift": "light",
    "light-missing": "light",
    "light-stuck-on": "light",
    "heater-stuck-on": "setpoint",
    "heater-not-heating": "setpoint",
    "co2-absent": "valve",
    "ph-out-of-range": "ph_limits",
}


def seconds(text: str) -> float:
    """RFC 3339 to seconds since 1970."""
    return dt.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def replay(folder: Path, command: list[str] | None) -> tuple[float, str]:
    """Run the replay over one folder into its `events.jsonl`; returns (seconds taken, error or "")."""
    config, csv, events = folder / "rushlight.toml", folder / "readings.csv", folder / "events.jsonl"
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


def judge(truth: dict[str, Any], events: list[dict[str, Any]]) -> dict[str, Any]:
    """One scenario's verdict; times in hours relative to the onset."""
    raised = sorted(
        (e for e in events if e.get("event") == "raised" and e.get("tank") == truth["tank"]),
        key=lambda e: seconds(e["time"]),
    )
    weeks = (seconds(truth["end"]) - seconds(truth["begin"])) / 604800
    verdict: dict[str, Any] = {"scenario": truth["scenario"], "kind": truth["kind"], "weeks": weeks}
    if truth["kind"] == "nominal":
        return verdict | {"false": [_told(e) for e in raised], "true_events": []}
    alarm, onset, harm = truth["alarm"], seconds(truth["onset"]), seconds(truth["harm"])
    right = {alarm, *truth["accept"]}
    related, excused = RELATED[alarm], set(truth["excused"])
    false, hits, near, first, true_events = [], [], [], None, []
    for e in raised:
        at = seconds(e["time"])
        name = e["alarm"]
        good = name in right and not (
            name == alarm in ("probe-fault", "setting-doubtful")
            and truth["quantity"]
            and e.get("quantity") != truth["quantity"]
        )
        side = name in excused or f"{name}/{e.get('quantity', '')}" in excused
        if at < onset - EARLY_S or not (good or name in related or side):
            false.append(_told(e))
        if at < onset - EARLY_S:
            continue
        if good:
            hits.append(at)
            true_events.append(name)
        elif name in related:
            near.append(at)
        if first is None and (good or not side):
            first = name if good else f"{name}{'/' + e['quantity'] if e.get('quantity') else ''}"
    detected = [t for t in hits + near if t <= harm]
    named = [t for t in hits if t <= harm]
    of = f"/{truth['quantity']}" if truth["quantity"] else ""
    worse = seconds(truth["worse"]) if truth["worse"] else None
    return verdict | {
        "alarm": alarm,
        "variant": truth["variant"],
        "severity": truth["severity"],
        "acute": truth["acute"],
        "harmful": truth["acute"] or alarm == "power-interrupted",
        "detected": bool(detected),
        "named": bool(named),
        "named_ever": bool(hits),
        "first_name_right": first in right,
        "first": first,
        "before_worse": bool(hits and (worse is None or min(hits) <= worse)),
        "delay_h": (min(hits) - onset) / 3600 if hits else None,
        "lead_h": (harm - min(hits)) / 3600 if hits else None,
        "warning_h": (harm - min(detected)) / 3600 if detected else 0.0,
        "window_h": (harm - onset) / 3600,
        "false": false,
        "true_events": true_events,
        "raised": [_told(e) for e in raised],
        "settings_given": NEEDS.get(alarm) not in truth.get("settings_missing", []),
        "expected": f"{alarm}{of} ({truth['variant']}, severity {truth['severity']}) "
        f"from {truth['onset']} before {truth['harm']}",
    }


def _told(e: dict[str, Any]) -> str:
    quantity = f"/{e['quantity']}" if e.get("quantity") else ""
    return f"{e['time']} {e['alarm']}{quantity}"


def _share(rows: list[dict[str, Any]], key: str) -> float | None:
    return sum(bool(r[key]) for r in rows) / len(rows) if rows else None


def summarise(verdicts: list[dict[str, Any]]) -> dict[str, Any]:
    """Totals and one row an alarm."""
    faults = [v for v in verdicts if v["kind"] == "fault"]
    nominal = [v for v in verdicts if v["kind"] == "nominal"]
    harmful = [v for v in faults if v["harmful"]]
    false_by = collections.Counter(t.split(" ", 1)[1] for v in verdicts for t in v["false"])
    wrong = collections.Counter(t.split(" ", 1)[1].split("/")[0] for v in verdicts for t in v["false"])
    true = collections.Counter(name for v in verdicts for name in v["true_events"])
    weeks = sum(v["weeks"] for v in verdicts)
    nominal_weeks = sum(v["weeks"] for v in nominal)
    alarms = {}
    for name in sorted({v["alarm"] for v in faults} | set(wrong)):
        rows = [v for v in faults if v["alarm"] == name]
        delays = [v["delay_h"] for v in rows if v["delay_h"] is not None]
        leads = [v["lead_h"] for v in rows if v["lead_h"] is not None]
        told = true[name] + wrong[name]
        alarms[name] = {
            "scenarios": len(rows),
            "detected": _share(rows, "detected"),
            "named": _share(rows, "named"),
            "named_ever": _share(rows, "named_ever"),
            "first_name_right": _share(rows, "first_name_right"),
            "median_delay_h": statistics.median(delays) if delays else None,
            "median_lead_h": statistics.median(leads) if leads else None,
            "precision": true[name] / told if told else None,
            "false": wrong[name],
            "false_per_tank_week": wrong[name] / weeks if weeks else None,
        }
    return {
        "scenarios": len(verdicts),
        "faults": len(faults),
        "nominal": len(nominal),
        "tank_weeks": weeks,
        "detected": _share(faults, "detected"),
        "named": _share(faults, "named"),
        "named_ever": _share(faults, "named_ever"),
        "first_name_right": _share(faults, "first_name_right"),
        "detected_with_settings": _share([v for v in faults if v["settings_given"]], "detected"),
        "named_with_settings": _share([v for v in faults if v["settings_given"]], "named"),
        "harmful": len(harmful),
        "harmful_detected": _share(harmful, "detected"),
        "harmful_named": _share(harmful, "named"),
        "harmful_before_worse": _share(harmful, "before_worse"),
        "harmful_median_warning_h": statistics.median(v["warning_h"] for v in harmful) if harmful else None,
        "false_per_tank_week": sum(wrong.values()) / weeks if weeks else None,
        "false_per_nominal_tank_week": sum(len(v["false"]) for v in nominal) / nominal_weeks
        if nominal_weeks
        else None,
        "false_by_name": dict(false_by.most_common()),
        "alarms": alarms,
    }


def _number(x: float | None, width: int, style: str = ".2f") -> str:
    return f"{'-' if x is None else format(x, style):>{width}}"


def print_table(total: dict[str, Any]) -> None:
    """The summary as plain text."""
    heads = ("detected", "named", "ever", "first", "delay h", "lead h", "precision", "false/week")
    keys = ("detected", "named", "named_ever", "first_name_right", "median_delay_h", "median_lead_h")
    print(f"{'alarm':26}{'runs':>5}" + "".join(f"{h:>11}" for h in heads))
    for name, r in total["alarms"].items():
        cells = [_number(r[k], 11) for k in keys] + [_number(r["precision"], 11)]
        print(f"{name:26}{r['scenarios']:5d}{''.join(cells)}{_number(r['false_per_tank_week'], 11, '.3f')}")
    for key in (
        "scenarios",
        "faults",
        "nominal",
        "tank_weeks",
        "detected",
        "named",
        "named_ever",
        "first_name_right",
        "detected_with_settings",
        "named_with_settings",
        "harmful",
        "harmful_detected",
        "harmful_named",
        "harmful_before_worse",
        "harmful_median_warning_h",
        "false_per_tank_week",
        "false_per_nominal_tank_week",
    ):
        value = total[key]
        print(f"{key:30}{value if isinstance(value, int) else _number(value, 1, '.3f')}")
    print("false alarms by name:", ", ".join(f"{k} {n}" for k, n in total["false_by_name"].items()) or "none")


def print_failures(verdicts: list[dict[str, Any]], limit: int = 1000) -> None:
    """Each scenario that was missed, misnamed or had false alarms."""
    print("\nfailures")
    for v in sorted(verdicts, key=lambda v: (v.get("alarm", ""), v["scenario"]))[:limit]:
        if v["kind"] == "fault" and not v["named"]:
            said = "late" if v["named_ever"] else "related only" if v["detected"] else "missed"
            told = v["raised"]
            more = f" and {len(told) - 20} more" if len(told) > 20 else ""
            raised = ("; ".join(told[:20]) or "nothing") + more
            print(f"  {v['scenario']}: {said}: expected {v['expected']}; raised: {raised}")
        elif v["false"]:
            what = v.get("expected", "nominal")
            told = v["false"]
            more = f" and {len(told) - 12} more" if len(told) > 12 else ""
            print(f"  {v['scenario']}: false alarms ({what}): {'; '.join(told[:12])}{more}")


def _job(job: tuple[Path, str, list[str] | None, bool]) -> tuple[dict[str, Any], float, str]:
    folder, name, command, run = job
    taken, error = replay(folder, command) if run else (0.0, "")
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
        folders.append(path.parent)
    folders = folders[: args.limit]
    if not folders:
        print(f"{args.directory}: no scenario fits; make some with bench.diagnosis.generate", file=sys.stderr)
        return 1
    command = args.command.split() if args.command else None
    jobs = [(f, args.events or "events.jsonl", command, args.events is None) for f in folders]
    with multiprocessing.Pool(args.jobs) as pool:
        done = pool.map(_job, jobs, chunksize=1)
    verdicts = [d[0] for d in done]
    total = summarise(verdicts)
    errors = {f.name: d[2] for f, d in zip(folders, done, strict=True) if d[2]}
    print_table(total)
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
