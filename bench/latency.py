"""From publishing a report to the alarm's decision in the store, and to the notice handed over.

    python bench/latency.py [--alarms 40] [--tanks 500]

`rushlight run` under a steady 50 reports a second of other tanks. One tank after the other gets 20 minutes of
too warm water, and then the report that raises the alarm: from its publishing until the event is committed in
the store (looked at every 2 ms), and until the notice arrives at a local HTTP address through apprise.
A report waits up to 0.25 s for its batch, which is most of it; see `_BATCH_S` in `collector/service.py`.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import threading
import time
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench.load import (
    Broker,
    Publisher,
    reports,
    settings_text,
    start_service,
    tank_names,
    wait_for_log,
)
from collector.store.embedded import EmbeddedStore

WARM_C = 28.5
TIMEOUT_S = 15


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--alarms", type=int, default=40)
    parser.add_argument("--tanks", type=int, default=500)
    args = parser.parse_args()
    arrived: dict[str, float] = {}

    class Inbox(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            arrived.setdefault(json.loads(body)["title"] + json.loads(body)["message"], time.perf_counter())
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None: ...

    server = ThreadingHTTPServer(("127.0.0.1", 0), Inbox)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    names = tank_names(args.tanks)
    with tempfile.TemporaryDirectory(prefix="rushlight-bench-") as name:
        folder = Path(name)
        broker = Broker(folder)
        (folder / "rushlight.toml").write_text(settings_text(broker.port, args.tanks))
        url = f"json://127.0.0.1:{server.server_address[1]}/"
        service = start_service(folder, RUSHLIGHT_NOTICE_URLS=url)
        try:
            wait_for_log(folder, "connected")
            time.sleep(1)
            over = threading.Event()
            threading.Thread(target=_background, args=(broker.port, args, over), daemon=True).start()
            time.sleep(2)
            decided, told = [], []
            with closing(EmbeddedStore(folder / "rushlight.db", read_only=True)) as store:
                publisher = Publisher(broker.port, "latency")
                for number in range(args.alarms):
                    found = _one(number, names[number], publisher, store, arrived)
                    if found is not None:
                        decided.append(found[0])
                        if found[1] is not None:
                            told.append(found[1])
            over.set()
        finally:
            service.terminate()
            service.wait(60)
            broker.stop()
    print(
        f"{len(decided)} alarms of {args.alarms} under {args.tanks / 10:g} reports/s from {args.tanks} tanks"
    )
    print(f"{'ms':24}{'p50':>8}{'p99':>8}{'most':>8}")
    for label, values in (("publish to decision", decided), ("publish to notice", told)):
        if values:
            values.sort()
            p99 = values[min(len(values) - 1, round(0.99 * len(values)))]
            print(
                f"{label:24}{statistics.median(values):8.0f}{p99:8.0f}{values[-1]:8.0f}   (n={len(values)})"
            )
    return 0 if len(decided) == args.alarms else 1


def _background(port: int, args: argparse.Namespace, over: threading.Event) -> None:
    publisher = Publisher(port, "background")
    begin = time.monotonic()
    mine = set(tank_names(args.tanks)[: args.alarms])
    stream = reports(args.tanks, 10**9, time.time_ns() // 1_000_000)
    for sent, (topic, payload) in enumerate(stream):
        if over.is_set():
            return
        due = begin + sent / (args.tanks / 10)
        time.sleep(max(0.0, due - time.monotonic()))
        if topic.split("/")[1] not in mine:
            publisher.put(topic, payload)


def _one(
    number: int, name: str, publisher: Publisher, store: EmbeddedStore, arrived: dict[str, float]
) -> tuple[float, float | None] | None:
    """Reports one by one, each waited for, until one raises the alarm: ms to decision and to notice."""
    start_ms = time.time_ns() // 1_000_000 - 3_000_000
    for seq in range(240):
        text = (
            f'[{{"bn":"{name}/","bt":{(start_ms + seq * 10_000) / 1000},"seq":{seq},"n":"temperature",'
            f'"u":"Cel","v":{WARM_C + seq % 3 / 100}}}]'
        )
        waits = seq % 6 == 0  # a minute's frame may be closed by any of them
        begin = time.perf_counter()
        publisher.put(f"rushlight/{name}/readings", text.encode())
        end = begin + (0.6 if waits else 0.0)
        while time.perf_counter() < end:
            if store.events(tank=name):
                decided = (time.perf_counter() - begin) * 1000
                return decided, _notice(name, number, begin, arrived)
            time.sleep(0.002)
    return None


def _notice(name: str, number: int, begin: float, arrived: dict[str, float]) -> float | None:
    end = time.perf_counter() + TIMEOUT_S
    while time.perf_counter() < end:
        for text, when in list(arrived.items()):
            if f"Shelf {number}:" in text or f"Shelf {number} " in text or name in text:
                return (when - begin) * 1000
        time.sleep(0.01)
    return None


if __name__ == "__main__":
    sys.exit(main())
