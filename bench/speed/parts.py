"""Reports a second with 1, 2 and 4 collectors that share the tanks (`rushlight run --part K/N`).

    python -m bench.speed.parts [--tanks 500] [--reports 60]

The reports lie in the parts' kept sessions before they start, as in `bench/speed/throughput.py`; counted from
the first report in any store until all stores have all. The broker takes part of a core too: on two cores
more than two parts can't gain much. Only ratios carry over to another machine.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.speed.load import Broker, Publisher, reports, settings_text, start_service, wait_for_log
from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore

PROBES = 3


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--tanks", type=int, default=500)
    parser.add_argument("--reports", type=int, default=60, help="of each tank")
    args = parser.parse_args()
    start = time.time_ns() // 1_000_000 - args.reports * 10_000
    messages = list(reports(args.tanks, args.reports, start))
    print(f"{len(messages):,} reports of {PROBES} probes from {args.tanks} tanks")
    print(f"{'parts':>5}{'reports/s':>11}{'of one':>8}", flush=True)
    one = None
    for parts in (1, 2, 4):
        with tempfile.TemporaryDirectory(prefix="rushlight-bench-") as name:
            rate = run(Path(name), args.tanks, messages, parts)
        one = one or rate
        print(f"{parts:5}{rate:11,.0f}{rate / one:8.2f}", flush=True)
    return 0


def run(folder: Path, tanks: int, messages: list[tuple[str, bytes]], parts: int) -> float:
    broker = Broker(folder)
    (folder / "rushlight.toml").write_text(settings_text(broker.port, tanks))
    words = [["--part", f"{number}/{parts}"] if parts > 1 else [] for number in range(1, parts + 1)]
    started: list[subprocess.Popen[bytes]] = []
    try:
        for number, more in enumerate(words):
            started.append(start_service(folder, *more, log=f"{number}.log"))
        for number in range(parts):
            wait_for_log(folder, "connected", log=f"{number}.log")
        time.sleep(1)
        end(started)
        publisher = Publisher(broker.port)
        publisher.send(messages)
        publisher.close()
        for number, more in enumerate(words):
            started.append(start_service(folder, *more, log=f"{number}.log"))
        return watch(folder, parts, len(messages) * PROBES)
    finally:
        end(started)
        broker.stop()


def end(processes: list[subprocess.Popen[bytes]]) -> None:
    for process in processes:
        process.terminate()
    for process in processes:
        process.wait(30)
    processes.clear()


def watch(folder: Path, parts: int, wanted: int) -> float:
    names = [f"rushlight.{n}-of-{parts}.db" for n in range(1, parts + 1)] if parts > 1 else ["rushlight.db"]
    stores: list[EmbeddedStore] = []
    first: tuple[float, int] | None = None
    until = time.monotonic() + 300
    while time.monotonic() < until:
        try:
            stores = stores or [EmbeddedStore(folder / name, read_only=True) for name in names]
            count = sum(store.position() for store in stores)
        except StoreError:
            count = 0
        now = time.perf_counter()
        if first is None and count:
            first = now, count
        if first is not None and count >= wanted:
            for store in stores:
                store.close()
            return (count - first[1]) / PROBES / (now - first[0])
        time.sleep(0.02)
    sys.exit("not all reports have come within five minutes")


if __name__ == "__main__":
    sys.exit(main())
