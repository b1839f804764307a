"""Many tanks on one process, in real time: its share of one core and its memory, minute by minute.

    python -m bench.speed.many_tanks [--tanks 500] [--minutes 60]

`rushlight run` on a real Mosquitto; each tank reports three probes every 10 s (500 tanks: 50 reports a
second). Prints a line a minute; at the end the share of a core over the whole time, and the memory after the
first ten minutes and at the end. It rises for two days, by some 60 kB a tank, while each tank's usual day is
learnt: 10 kB in the first hour.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import psutil

from bench.speed.load import Broker, Publisher, reports, settings_text, start_service, wait_for_log
from rushlight.collector.store.embedded import EmbeddedStore


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--tanks", type=int, default=500)
    parser.add_argument("--minutes", type=float, default=60)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rushlight-bench-") as name:
        folder = Path(name)
        broker = Broker(folder)
        (folder / "rushlight.toml").write_text(settings_text(broker.port, args.tanks))
        service = start_service(folder)
        try:
            wait_for_log(folder, "connected")
            time.sleep(1)
            sent = _run(args.tanks, args.minutes, broker, psutil.Process(service.pid))
            time.sleep(2)
            with closing(EmbeddedStore(folder / "rushlight.db", read_only=True)) as store:
                kept = store.position()
        finally:
            service.terminate()
            service.wait(60)
            broker.stop()
    print(f"{sent:,} reports sent, {kept:,} readings kept of {3 * sent:,}")
    return 0 if kept == 3 * sent else 1


def _run(tanks: int, minutes: float, broker: Broker, service: psutil.Process) -> int:
    publisher = Publisher(broker.port)
    begin, start_ms = time.monotonic(), time.time_ns() // 1_000_000
    used = sum(service.cpu_times()[:2])
    minute, minute_used, memory, sent = 0, used, [], 0
    pace = tanks / 10
    print(f"{tanks} tanks, {pace:g} reports/s")
    print(f"{'minute':>6}{'share of a core':>17}{'memory MB':>11}", flush=True)
    for topic, payload in reports(tanks, 10**9, start_ms):
        due = begin + sent / pace
        now = time.monotonic()
        if now - begin >= (minute + 1) * 60 or now - begin >= minutes * 60:
            spent = sum(service.cpu_times()[:2])
            memory.append(service.memory_info().rss / 1e6)
            share = (spent - minute_used) / (now - begin - minute * 60)
            minute, minute_used = minute + 1, spent
            print(f"{minute:6}{share:17.1%}{memory[-1]:11.1f}", flush=True)
            if now - begin >= minutes * 60:
                break
        if due > now:
            time.sleep(due - now)
        publisher.put(topic, payload)
        sent += 1
    whole = (sum(service.cpu_times()[:2]) - used) / (time.monotonic() - begin)
    early = memory[min(9, len(memory) - 1)]
    print(f"share of a core {whole:.1%}; memory {early:.1f} MB early on, {memory[-1]:.1f} MB at the end")
    publisher.close()
    return sent


if __name__ == "__main__":
    sys.exit(main())
