"""How fast readings get from the local file to a real InfluxDB 1.6, and what room they take there.

    python -m bench.speed.influx [--readings 1000000]

The readings are those of bench/speed/store.py: three series at 10 s with noise, lost reports and unread
probes. They go to influxd through nginx, which gives it the path of newer versions, all on one machine:

- by arrival: a backlog, as after an outage, from rows that are not packed yet;
- by time: a new server is given what is there already, from packed days;
- bare: lines made beforehand, posted one batch after the other, nothing remembered: what the server can take;
- library: influxdb-client's `Point` and synchronous writes, one batch after the other.

All in one run; the last two with a fifth of the readings. Only the ratios carry over to another machine.
Room is counted in blocks on the disk: the server's as it is after the last write, log included; and its data
after it was started again without putting compaction off (log left out: the next write empties it). Beside
that the local file, filled a day at a time as the service does.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.speed.store import DAY_MS, PER_DAY, QUANTITIES, START_MS, day_of_readings
from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.points import MEASUREMENT, line_of, time_ns
from rushlight.collector.influx.state import drain_report
from rushlight.collector.influx.writer import InfluxWriter
from rushlight.collector.readings import Reading
from rushlight.collector.settings import StoreSettings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.influx_servers import Influxd, Nginx

BATCH = 5000
SOON = 'cache-snapshot-write-cold-duration = "2s"\ncompact-full-write-cold-duration = "4s"'


def room(*parts: Path) -> int:
    """Bytes of files and of all below folders, by blocks: a file may be longer than what is on the disk."""
    files = [path for part in parts for path in (part, *part.rglob("*")) if path.is_file()]
    return sum(path.stat().st_blocks * 512 for path in files)


def timed(call: Callable[[], int]) -> tuple[float, float]:
    """Readings a second by the clock, and microseconds of this process's processor time a reading."""
    begin, begin_processor = time.perf_counter(), time.process_time()
    count = call()
    return count / (time.perf_counter() - begin), (time.process_time() - begin_processor) / count * 1e6


def fill(store: EmbeddedStore, days: int, pack: bool) -> int:
    """Days of readings in batches; each day packed where wanted."""
    count = 0
    for day in range(days):
        readings = list(day_of_readings(day, 0))
        for first in range(0, len(readings), 3000):
            count += store.add_readings(readings[first : first + 3000])
        if pack:
            store.compact(START_MS + (day + 1) * DAY_MS, settle_ms=0)
    return count


def drained(store: EmbeddedStore, settings: StoreSettings, count: int, now_ms: int) -> int:
    """Until the server has all."""
    writer = InfluxWriter(settings)
    drain = Drain(settings, writer, lambda: now_ms)
    while drain.run_once(store, now_ms):
        pass
    report = drain_report(store, settings)
    assert report is not None and not report.waiting and report.copying_from_ms is None and not report.error
    writer.close()
    return count


def batches(days: int) -> Iterator[list[Reading]]:
    readings = (reading for day in range(days) for reading in day_of_readings(day, 0))
    while batch := list(islice(readings, BATCH)):
        yield batch


def posted(settings: StoreSettings, prepared: Sequence[bytes], count: int) -> int:
    """Ready-made lines over one kept connection."""
    import urllib3

    with urllib3.PoolManager() as http:
        for body in prepared:
            answer = http.request("POST", f"{settings.url}/write?db={settings.bucket}", body=body)
            assert answer.status == 204, answer.data
    return count


def by_library(settings: StoreSettings, prepared: Sequence[Sequence[Reading]]) -> int:
    """As the library's own examples do."""
    from influxdb_client.client.influxdb_client import InfluxDBClient
    from influxdb_client.client.write.point import Point
    from influxdb_client.client.write_api import SYNCHRONOUS

    assert settings.url is not None and settings.bucket is not None
    count = 0
    with InfluxDBClient(settings.url, "", org="-") as client:
        api = client.write_api(write_options=SYNCHRONOUS)
        for batch in prepared:
            points = []
            for r in batch:
                point = Point(MEASUREMENT).tag("tank", r.tank).tag("quantity", r.quantity)
                point = point.field("flag", r.flag).field("seq", r.seq).field("stamp", r.stamp)
                if r.value is not None:
                    point = point.field("value", r.value)
                points.append(point.time(time_ns(r.time_ms, r.seq)))
            api.write(settings.bucket, record=points)
            count += len(batch)
    return count


def settled(*parts: Path) -> None:
    """Wait until nothing changes for twenty seconds, five times as long as compaction is put off."""
    last, since = -1, time.monotonic()
    while time.monotonic() - since < 20:
        now = room(*parts)
        if now != last:
            last, since = now, time.monotonic()
        time.sleep(0.5)


def run(folder: Path, days: int) -> None:
    influxd = Influxd(folder / "influxd")
    nginx = Nginx(folder / "nginx", influxd.url)
    influxd.start()
    nginx.start()
    now_ms = START_MS + days * DAY_MS
    rates: dict[str, tuple[float, float]] = {}
    try:
        settings = {
            name: StoreSettings(kind="influxdb", url=nginx.url, bucket=name, org="-")
            for name in ("arrival", "copy", "bare", "library")
        }
        for name in settings:
            influxd.ask(f"CREATE DATABASE {name}")
        with EmbeddedStore(folder / "rows.db") as store:
            drained(store, settings["arrival"], 1, START_MS)  # the server is known, then away
            count = fill(store, days, pack=False)
            rates["by arrival"] = timed(lambda: drained(store, settings["arrival"], count, now_ms))
        with EmbeddedStore(folder / "days.db") as store:
            fill(store, days, pack=True)
            rates["by time"] = timed(lambda: drained(store, settings["copy"], count, now_ms))
        prepared = list(batches(max(1, days // 5)))
        some = sum(map(len, prepared))
        bodies = ["\n".join(map(line_of, batch)).encode() for batch in prepared]
        rates["bare"] = timed(lambda: posted(settings["bare"], bodies, some))
        rates["library"] = timed(lambda: by_library(settings["library"], prepared))
        for name, wanted in (("arrival", count), ("copy", count), ("bare", some), ("library", some)):
            assert influxd.points(name) == wanted
        parts = [influxd.folder / "data" / "arrival", influxd.folder / "wal" / "arrival"]
        before = room(*parts)
        influxd.change(SOON)
        settled(*parts)
        after, index = room(parts[0]), room(parts[0] / "_series")
        assert influxd.points("arrival") == count
    finally:
        nginx.stop()
        influxd.stop()
    local = room(folder / "days.db")
    lines = sum(map(len, bodies)) / some
    print(f"{count} readings, {days} days of {len(QUANTITIES)} series, batches of {BATCH}")
    print(f"{'':12}{'readings/s':>12}{'of bare':>10}{'our processor, µs a reading':>30}")
    for name, (rate, processor) in rates.items():
        print(f"{name:12}{rate:12.0f}{rate / rates['bare'][0]:10.2f}{processor:30.1f}")
    print(f"\n{'bytes a reading':36}{'':>8}{'of the local file':>20}")
    for what, size in (
        ("local file, packed", local / count),
        ("influxd, after the last write", before / count),
        ("influxd, compacted", after / count),
        ("  of that its index of series", index / count),
        ("on the wire", lines),
    ):
        print(f"{what:36}{size:8.2f}{size / (local / count):20.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--readings", type=int, default=1_000_000)
    arguments = parser.parse_args()
    days = -(-arguments.readings // (PER_DAY * len(QUANTITIES)))
    with tempfile.TemporaryDirectory() as folder:
        run(Path(folder), days)


if __name__ == "__main__":
    main()
