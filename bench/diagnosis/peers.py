"""Baseline: the plain limits a careful hobbyist would set, over the same readings.

    python -m bench.diagnosis.peers DIR             # writes plain.jsonl into each folder
    python -m bench.diagnosis.peers DIR --margin 1  # limits inside the livestock's by 1 °C, pH 0.2; CO2 80 %
    python -m bench.diagnosis.score DIR --events plain.jsonl

The rules are common practice, no source: livestock limits for temperature, pH limits, CO2 from the trade rule
3·KH·10^(7-pH), no report for 30 minutes, lux under 500 in the middle of the photoperiod and over 500 at
midnight-like hours, a probe without value for 10 minutes or far outside its range. Each must hold for five
minutes and clears with a small deadband.
"""

from __future__ import annotations

import argparse
import datetime as dt
import functools
import json
import multiprocessing
import sys
import tomllib
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

HOLD_S = 300
SILENT_S = 1800
RANGES = {"temperature": (0, 50), "room_temperature": (-20, 60), "ph": (3, 11), "light": (0, 60000)}


class Limit:
    """One limit with an on-delay and a deadband."""

    def __init__(self, tank: str, alarm: str, quantity: str = "", hold_s: float = HOLD_S) -> None:
        self.tank, self.alarm, self.quantity, self.hold_s = tank, alarm, quantity, hold_s
        self.since: float | None = None
        self.raised = False

    def update(self, now: float, beyond: bool, back: bool) -> list[dict[str, Any]]:
        """`beyond`: past the limit; `back`: well inside again. Returns the events of this moment."""
        if beyond:
            if self.since is None:
                self.since = now
            if not self.raised and now - self.since >= self.hold_s:
                self.raised = True
                return [self.event(now, "raised")]
        else:
            self.since = None
            if back and self.raised:
                self.raised = False
                return [self.event(now, "cleared")]
        return []

    def event(self, now: float, kind: str) -> dict[str, Any]:
        time = dt.datetime.fromtimestamp(now, dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        out = {"time": time, "tank": self.tank, "alarm": self.alarm, "event": kind, "priority": "high"}
        return out | ({"quantity": self.quantity} if self.quantity else {})


def plain_limits(folder: Path, margin: float = 0.0) -> list[dict[str, Any]]:
    """Events of one folder; `margin` sets the limits inside the livestock's, 1 for 1 °C, CO2 80 %, pH 0.2."""
    settings = tomllib.loads((folder / "rushlight.toml").read_text(encoding="utf-8"))
    ((name, tank),) = settings["tanks"].items()
    live, water, light = tank["livestock"], tank.get("water", {}), tank.get("light")
    zone = ZoneInfo(tank["timezone"])
    kh = water.get("carbonate_hardness_dkh")
    co2_limit = live.get("co2_limit_mg_l", 30.0) * (1 - 0.2 * margin)
    limits = {
        a: Limit(name, a)
        for a in (
            "temperature-low",
            "temperature-high",
            "co2-overdose",
            "ph-out-of-range",
            "light-missing",
            "light-stuck-on",
        )
    }
    probes = {q: Limit(name, "probe-fault", q, 600) for q in RANGES}
    silent = Limit(name, "device-silent")
    middle = None
    if light and "on" in light:
        on, off = (int(light[k][:2]) * 60 + int(light[k][3:]) for k in ("on", "off"))
        length = (off - on) % 1440
        middle = (on, length)
    events: list[dict[str, Any]] = []
    last = None
    minute_of: dict[int, int] = {}
    with (folder / "readings.csv").open(encoding="utf-8") as rows:
        next(rows)
        for row in rows:
            stamp, _, quantity, text = row.rstrip("\n").split(",")
            now = dt.datetime.fromisoformat(stamp).timestamp()
            if last is not None and now > last + SILENT_S:
                events.append(silent.event(last + SILENT_S, "raised"))
                events.append(silent.event(now, "cleared"))
            last = now if last is None else max(last, now)
            if quantity in probes:
                low, high = RANGES[quantity]
                bad = text == "" or not low <= float(text) <= high
                events += probes[quantity].update(now, bad, not bad)
                if bad:
                    continue
            if text == "":
                continue
            value = float(text)
            if quantity == "temperature":
                a, b = live["temperature_low_c"] + margin, live["temperature_high_c"] - margin
                events += limits["temperature-low"].update(now, value < a, value > a + 0.3)
                events += limits["temperature-high"].update(now, value > b, value < b - 0.3)
            elif quantity == "ph":
                if kh is not None:
                    co2 = 3 * kh * 10 ** (7 - value)
                    events += limits["co2-overdose"].update(now, co2 > co2_limit, co2 < 0.9 * co2_limit)
                if "ph_low" in water:
                    low, high = water["ph_low"] + 0.2 * margin, water["ph_high"] - 0.2 * margin
                    outside, inside = not low <= value <= high, low + 0.05 < value < high - 0.05
                    events += limits["ph-out-of-range"].update(now, outside, inside)
            elif quantity == "light" and middle:
                hour = int(now // 900)
                if hour not in minute_of:
                    local = dt.datetime.fromtimestamp(hour * 900, zone)
                    minute_of[hour] = local.hour * 60 + local.minute
                since = (minute_of[hour] + (now % 900) / 60 - middle[0]) % 1440
                noon = abs(since - middle[1] / 2) < 30
                night = middle[1] + 120 < since < 1440 - 120
                events += limits["light-missing"].update(now, noon and value < 500, value > 600 or not noon)
                events += limits["light-stuck-on"].update(
                    now, night and value > 500, value < 400 or not night
                )
    return events


def write_plain(folder: Path, margin: float = 0.0) -> int:
    """Write `plain.jsonl` into a folder; returns the number of events."""
    events = plain_limits(folder, margin)
    with (folder / "plain.jsonl").open("w", encoding="utf-8") as out:
        out.writelines(json.dumps(e) + "\n" for e in events)
    return len(events)


def main(arguments: list[str] | None = None) -> int:
    """Command line; returns the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("directory", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--margin", type=float, default=0.0)
    args = parser.parse_args(arguments)
    folders = [p.parent for p in sorted(args.directory.glob("*/truth.json"))]
    with multiprocessing.Pool(args.jobs) as pool:
        counts = pool.map(functools.partial(write_plain, margin=args.margin), folders)
    print(f"{sum(counts)} events in {len(folders)} folders")
    return 0


if __name__ == "__main__":
    sys.exit(main())
