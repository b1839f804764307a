"""Space and time of the embedded store beside plain SQLite rows and Parquet, all in one run.

    python -m bench.speed.store                  # a month of three series, and a day of 150 series
    python -m bench.speed.store --days 365       # a year of three series: minutes

Three series at 10 s, as a shelf tank sends them: temperature and pH to 0.01, light to 1 lx, with noise, lost
reports, unread probes and suspect flags. The store is filled as the service fills it: a day of readings in
batches, then that day packed, and the room that its rows took given back. Until then the day takes 50 bytes a
reading more: its size is that of the file after the last day is packed.
Run twice: with a device that has a clock (times 10 s apart), and with one whose reports are stamped on
arrival (times uneven by up to 0.12 s, which is what its space then goes to).
A month of one series into pandas: the three take turns, fifty times, so that the machine is as busy for each.
Then many series: how quickly they are added and packed, the longest that one helping of packing holds up what
comes in, and what goes to the disk for each reading (/proc/self/io; Linux).
Only the ratios carry over to another machine. InfluxDB beside it: bench/speed/influx.py.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from pyarrow import parquet

sys.path.insert(0, str(Path(__file__).parents[2]))

from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import export_parquet

DAY_MS = 86_400_000
START_MS = 20_454 * DAY_MS  # 2026-01-01
PER_DAY = 8640
QUANTITIES = ("temperature", "ph", "light")
MONTH_DAYS = 30
TURNS = 50


def day_of_readings(day: int, jitter_ms: int) -> Iterator[Reading]:
    """One day of all three series in order of arrival."""
    chance = np.random.default_rng(day)
    phase = np.arange(PER_DAY) / PER_DAY
    lit = (phase > 0.5) & (phase < 0.83)
    series = {
        "temperature": np.round(23.5 + 0.6 * np.sin(6.28 * phase) + chance.normal(0, 0.02, PER_DAY), 2),
        "ph": np.round(6.9 - 0.25 * np.sin(6.28 * phase) + chance.normal(0, 0.01, PER_DAY), 2),
        "light": np.round(np.where(lit, 7400 + chance.normal(0, 30, PER_DAY), chance.poisson(2, PER_DAY))),
    }
    times = START_MS + day * DAY_MS + np.arange(PER_DAY) * 10_000
    if jitter_ms:
        times = times + chance.integers(0, jitter_ms, PER_DAY)
    lost = chance.random(PER_DAY) < 0.001
    for n, time_ms in enumerate(times.tolist()):
        if lost[n]:
            continue
        for quantity in QUANTITIES:
            value = None if chance.random() < 0.0005 else float(series[quantity][n])
            flag = 3 if chance.random() < 0.001 else 1
            yield Reading("shelf", quantity, time_ms, value, flag, day * PER_DAY + n, 1 if jitter_ms else 0)


class Times(NamedTuple):
    """Of several runs, in ms: shortest and median by the clock, shortest of processor time."""

    shortest: float
    median: float
    processor: float


def take_turns(calls: Sequence[Callable[[], Any]], turns: int) -> list[Times]:
    wall: list[list[float]] = [[] for _ in calls]
    processor: list[list[float]] = [[] for _ in calls]
    for turn in range(turns + 1):  # the first warms up
        for number, call in enumerate(calls):
            begin, begin_processor = time.perf_counter(), time.process_time()
            call()
            if turn:
                wall[number].append((time.perf_counter() - begin) * 1000)
                processor[number].append((time.process_time() - begin_processor) * 1000)
    return [Times(min(w), statistics.median(w), min(p)) for w, p in zip(wall, processor, strict=True)]


def written_bytes() -> int:
    """What this process has sent to disks so far."""
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    return 0


def fill_rows(path: Path, days: int, jitter_ms: int) -> int:
    """The peer: one plain table, the key its primary key."""
    db = sqlite3.connect(path)
    db.execute(
        "CREATE TABLE readings (series INTEGER, time_ms INTEGER, value REAL, flag INTEGER, seq INTEGER,"
        " stamp INTEGER, PRIMARY KEY (series, time_ms, seq)) WITHOUT ROWID"
    )
    count = 0
    for day in range(days):
        rows = [
            (QUANTITIES.index(r.quantity), r.time_ms, r.value, r.flag, r.seq, r.stamp)
            for r in day_of_readings(day, jitter_ms)
        ]
        db.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?)", rows)
        count += len(rows)
    db.commit()
    db.execute("VACUUM")
    db.close()
    return count


def rows_month(path: Path, start: int, end: int) -> pd.DataFrame:
    db = sqlite3.connect(path)
    frame = pd.read_sql_query(
        "SELECT time_ms, value, flag, seq, stamp FROM readings"
        " WHERE series = 0 AND time_ms >= ? AND time_ms < ?",
        db,
        params=(start, end),
    )
    db.close()
    frame["time"] = pd.to_datetime(frame.pop("time_ms"), unit="ms", utc=True)
    return frame.set_index("time")


def parquet_month(path: Path, start: int, end: int) -> pd.DataFrame:
    span = [
        ("quantity", "=", "temperature"),
        ("time", ">=", pd.Timestamp(start, unit="ms", tz="UTC")),
        ("time", "<", pd.Timestamp(end, unit="ms", tz="UTC")),
    ]
    columns = ["time", "value", "flag", "seq", "stamp"]
    return parquet.read_table(path, columns=columns, filters=span).to_pandas().set_index("time")


def run(folder: Path, days: int, jitter_ms: int) -> None:
    month = min(days, MONTH_DAYS)
    path = folder / f"store{jitter_ms}.db"
    adding = packing = 0.0
    count = 0
    with EmbeddedStore(path) as store:
        for day in range(days):
            readings = list(day_of_readings(day, jitter_ms))
            begin = time.perf_counter()
            for first in range(0, len(readings), 300):
                count += store.add_readings(readings[first : first + 300])
            adding += time.perf_counter() - begin
            begin = time.perf_counter()
            store.compact(START_MS + (day + 1) * DAY_MS, settle_ms=0)
            packing += time.perf_counter() - begin
        begin = time.perf_counter()
        export_parquet(store, folder / "store.parquet")
        exporting = time.perf_counter() - begin
    size = path.stat().st_size
    few = min(days, MONTH_DAYS)
    rows_count = fill_rows(folder / "rows.db", few, jitter_ms)
    start, end = START_MS + (days - month) * DAY_MS, START_MS + days * DAY_MS
    rows_start, rows_end = START_MS + (few - month) * DAY_MS, START_MS + few * DAY_MS
    with EmbeddedStore(path, read_only=True) as store:
        assert store.check() == []
        length = len(store.frame("shelf", "temperature", start, end))
        assert length == len(parquet_month(folder / "store.parquet", start, end))
        ours, rows, column = take_turns(
            [
                lambda: store.frame("shelf", "temperature", start, end),
                lambda: rows_month(folder / "rows.db", rows_start, rows_end),
                lambda: parquet_month(folder / "store.parquet", start, end),
            ],
            TURNS,
        )
    rows_bytes = (folder / "rows.db").stat().st_size / rows_count
    parquet_bytes = (folder / "store.parquet").stat().st_size / count
    kind = f"stamped on arrival, uneven by {jitter_ms} ms" if jitter_ms else "device with a clock"
    print(f"\n{kind}: {days} days, {count} readings; {month} days of one series: {length} readings")
    print(f"{'':24}{'bytes a reading':>16}{'month, ms':>11}{'median':>9}{'processor':>11}")
    for name, size_each, times in (
        ("this store", size / count, ours),
        ("plain SQLite rows", rows_bytes, rows),
        ("Parquet (delta, zstd)", parquet_bytes, column),
    ):
        print(
            f"{name:24}{size_each:16.2f}{times.shortest:11.1f}{times.median:9.1f}{times.processor:11.1f}"
            f"   {size_each * count / size:5.1f} x the space, {times.median / ours.median:5.1f} x the time"
        )
    print(
        f"adding {count / adding / 1000:.0f} thousand readings a second (batches of 300, synchronous=FULL), "
        f"packing {packing / days / len(QUANTITIES) * 1000:.0f} ms a day of a series, "
        f"export to Parquet {exporting:.1f} s",
        flush=True,
    )


def many(folder: Path, series: int, reports: int) -> None:
    """Many tanks of three series, a report of all in one commit; then all of that day packed."""
    chance = np.random.default_rng(1)
    values = np.round(20 + chance.normal(0, 0.002, (series, reports)).cumsum(axis=1), 2).tolist()
    names = [(f"tank{n // 3}", QUANTITIES[n % 3]) for n in range(series)]
    step = DAY_MS // reports
    with EmbeddedStore(folder / "many.db") as store:
        begin, written = time.perf_counter(), written_bytes()
        for report in range(reports):
            store.add_readings(
                [
                    Reading(tank, quantity, START_MS + report * step + n % 7, values[n][report], 1, report)
                    for n, (tank, quantity) in enumerate(names)
                ]
            )
        adding, added = time.perf_counter() - begin, written_bytes() - written
        store._all("PRAGMA wal_checkpoint(TRUNCATE)")
        count = series * reports
        size = (folder / "many.db").stat().st_size
        begin, begin_processor, written = time.perf_counter(), time.process_time(), written_bytes()
        helpings = []
        more = True
        while more:
            helping = time.perf_counter()
            more = store.compact(START_MS + 2 * DAY_MS, limit=1).more
            helpings.append((time.perf_counter() - helping) * 1000)
        packing, processor = time.perf_counter() - begin, time.process_time() - begin_processor
        packed = written_bytes() - written
    print(
        f"\n{series} series of {reports} readings, a commit a report: adding {count / adding / 1000:.1f} "
        f"thousand a second, {added / count:.0f} bytes written a reading; {size / count:.0f} bytes a reading "
        f"as rows\npacking: {packing:.1f} s ({processor:.1f} s of processor), "
        f"{packing / series * 1000:.0f} ms a series; a helping: median {statistics.median(helpings):.0f} ms, "
        f"longest {max(helpings):.0f} ms; {packed / count:.0f} bytes written a reading",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--days", type=int, default=31)
    parser.add_argument("--uneven", type=int, nargs="*", default=[0, 120], metavar="MS", help="0: even")
    parser.add_argument("--series", type=int, default=150, help="0: leave out the many")
    parser.add_argument("--reports", type=int, default=2160, help="of each of the many")
    arguments = parser.parse_args()
    for jitter_ms in arguments.uneven:
        with tempfile.TemporaryDirectory() as folder:
            run(Path(folder), arguments.days, jitter_ms)
    if arguments.series:
        with tempfile.TemporaryDirectory() as folder:
            many(Path(folder), arguments.series, arguments.reports)


if __name__ == "__main__":
    main()
