"""From publishing the report that decides to the alarm in the store, and to the notice handed over.

    python -m bench.speed.latency [--alarms 100] [--tanks 500] [--no-pictures]

`rushlight run` under a steady 50 reports a second of other tanks. One tank after the other sends two minutes
of too warm water at once, as a board does that was without a network, and then by itself the report that
decides: counted is from its publishing until the event is committed in the store (looked at every 2 ms), and
until the notice is at a local HTTP address, through apprise. Not counted is what should take time: the minute
that must be over before it is judged, and the alarm's own delay of another. Too warm water leaves no time, so
these notices go one by one and at once, however many; others are gathered into one after three in two minutes
(see `Notifier`).
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

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.speed.load import (
    REPORT_MS,
    Broker,
    Publisher,
    reports,
    settings_text,
    start_service,
    tank_names,
    wait_for_log,
)
from rushlight.collector.store.embedded import EmbeddedStore

WARM_C = 28.5
TIMEOUT_S = 15
ALARM = "temperature-high"
DECIDING = 12  # this report ends a minute that is too warm and the delay of another


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--alarms", type=int, default=100)
    parser.add_argument("--tanks", type=int, default=500)
    parser.add_argument("--no-pictures", action="store_true", help="notices without the alarm's curve")
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
        more = f"\n[notices]\npicture = {str(not args.no_pictures).lower()}\n"
        (folder / "rushlight.toml").write_text(settings_text(broker.port, args.tanks) + more)
        url = f"json://127.0.0.1:{server.server_address[1]}/"
        service = start_service(folder, RUSHLIGHT_NOTICE_URLS=url)
        try:
            wait_for_log(folder, "connected")
            time.sleep(1)
            over = threading.Event()
            threading.Thread(target=_background, args=(broker.port, args, over), daemon=True).start()
            time.sleep(2)
            decided: list[float] = []
            begun: dict[int, float] = {}
            with closing(EmbeddedStore(folder / "rushlight.db", read_only=True)) as store:
                publisher = Publisher(broker.port, "latency")
                for number in range(args.alarms):
                    begin, after = _one(names[number], publisher, store)
                    if after is not None:
                        decided.append(after)
                        begun[number] = begin
                time.sleep(TIMEOUT_S)
            over.set()
        finally:
            service.terminate()
            service.wait(60)
            broker.stop()
    told = [after for number, begin in begun.items() if (after := _told(number, begin, arrived)) is not None]
    print(
        f"{len(decided)} alarms of {args.alarms} under {args.tanks / 10:g} reports/s from {args.tanks} tanks"
    )
    print(f"{'ms':24}{'p50':>8}{'p99':>8}{'most':>8}")
    for label, values in (("publish to decision", decided), ("publish to notice", told)):
        if values:
            values.sort()
            p99 = values[round(0.99 * (len(values) - 1))]
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


def _put(name: str, seq: int, start_ms: int, publisher: Publisher) -> None:
    text = (
        f'[{{"bn":"{name}/","bt":{(start_ms + seq * REPORT_MS) / 1000},"seq":{seq},"n":"temperature",'
        f'"u":"Cel","v":{WARM_C + seq % 3 / 100}}}]'
    )
    publisher.put(f"rushlight/{name}/readings", text.encode())


def _start() -> int:
    """Time of a tank's first report: at the full minute, since minutes are judged.

    The deciding report's time is then up to a minute ahead of the clock, as a board's may be: were it behind,
    the service's own clock would end the alarm's delay before the report does.
    """
    ahead_ms = time.time_ns() // 1_000_000 + 5000
    return (ahead_ms // 60_000 + 1) * 60_000 - DECIDING * REPORT_MS


def _raised(name: str, store: EmbeddedStore) -> bool:
    return any(e.alarm == ALARM and e.event == "raised" for e in store.events(tank=name))


def _one(name: str, publisher: Publisher, store: EmbeddedStore) -> tuple[float, float | None]:
    """When the deciding report was published, and the ms until its alarm was in the store."""
    start_ms = _start()
    for seq in range(DECIDING):
        _put(name, seq, start_ms, publisher)
    time.sleep(1)
    if _raised(name, store):
        sys.exit(f"{name}: an alarm before report {DECIDING}")
    begin = time.perf_counter()
    _put(name, DECIDING, start_ms, publisher)
    while time.perf_counter() < begin + TIMEOUT_S:
        if _raised(name, store):
            return begin, (time.perf_counter() - begin) * 1000
        time.sleep(0.002)
    return begin, None


def _told(number: int, begin: float, arrived: dict[str, float]) -> float | None:
    times = [when for text, when in arrived.items() if f"in Shelf {number}," in text and when > begin]
    return (min(times) - begin) * 1000 if times else None


if __name__ == "__main__":
    sys.exit(main())
