"""Totals over many runs, as figures and as text."""

from __future__ import annotations

import collections
import statistics
from typing import Any

from bench.diagnosis.intervals import poisson, wilson

__all__ = ["print_failures", "print_table", "print_worlds", "summarise"]


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
        raised = true[name] + wrong[name]
        alarms[name] = {
            "scenarios": len(rows),
            "detected": _share(rows, "detected"),
            "named": _share(rows, "named"),
            "named_ever": _share(rows, "named_ever"),
            "first_name_right": _share(rows, "first_name_right"),
            "median_delay_h": statistics.median(delays) if delays else None,
            "median_lead_h": statistics.median(leads) if leads else None,
            "precision": true[name] / raised if raised else None,
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


def print_worlds(verdicts: list[dict[str, Any]]) -> None:
    """One row a kind of tank, as Markdown; 95 % intervals after Wilson and Garwood."""
    print("\n| tanks | runs | harmful | before harm | by own name | all faults by own name "
          "| false a tank-week | median warning h |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    names = list(dict.fromkeys(v["world"] for v in verdicts))
    for name in names if len(names) == 1 else [*names, "all of them"]:
        print(_world_row(name, [v for v in verdicts if v["world"] == name] or verdicts))


def _world_row(name: str, verdicts: list[dict[str, Any]]) -> str:
    faults = [v for v in verdicts if v["kind"] == "fault"]
    harmful = [v for v in faults if v["harmful"]]

    def share(rows: list[dict[str, Any]], key: str) -> str:
        hits = sum(bool(v[key]) for v in rows)
        low, high = wilson(hits, len(rows))
        return f"{100 * hits / len(rows):.0f} % ({100 * low:.0f}–{100 * high:.0f})" if rows else "-"

    false, weeks = sum(len(v["false"]) for v in verdicts), sum(v["weeks"] for v in verdicts)
    low, high = poisson(false, weeks)
    warning = f"{statistics.median(v['warning_h'] for v in harmful):.2f}" if harmful else "-"
    cells = [
        name,
        str(len(verdicts)),
        str(len(harmful)),
        share(harmful, "detected"),
        share(harmful, "named"),
        share(faults, "named"),
        f"{false / weeks:.2f} ({low:.2f}–{high:.2f})",
        warning,
    ]
    return f"| {' | '.join(cells)} |"


def print_failures(verdicts: list[dict[str, Any]], limit: int = 1000) -> None:
    """Each scenario that was missed, misnamed or had false alarms."""
    print("\nfailures")
    for v in sorted(verdicts, key=lambda v: (v.get("alarm", ""), v["scenario"]))[:limit]:
        if v["kind"] == "fault" and not v["named"]:
            said = "late" if v["named_ever"] else "related only" if v["detected"] else "missed"
            listed = v["raised"]
            more = f" and {len(listed) - 20} more" if len(listed) > 20 else ""
            raised = ("; ".join(listed[:20]) or "nothing") + more
            print(f"  {v['scenario']}: {said}: expected {v['expected']}; raised: {raised}")
        elif v["false"]:
            what = v.get("expected", "nominal")
            listed = v["false"]
            more = f" and {len(listed) - 12} more" if len(listed) > 12 else ""
            print(f"  {v['scenario']}: false alarms ({what}): {'; '.join(listed[:12])}{more}")
