"""Reports a second: the whole of `rushlight run` against a bare paho client that does nothing with them.

    python -m bench.speed.throughput [--tanks 500] [--reports 100] [--rounds 3] [--profile]

Both take the same reports (three probes each, the tanks taking turns) from the same Mosquitto at QoS 1. The
reports lie in the subscriber's kept session before it comes, so that no publisher takes part in the race and
the subscriber is never short of work. Bare: paho as it comes (MQTT 3.1.1, its faster one), a callback that
only counts, acknowledging by itself. Whole: `rushlight run` in a process of its own: decoding, times,
quality, analysis, the store on the disk with synchronous=FULL, acknowledgement after the commit. Counted from
the first to the last report that it keeps.

The two take turns; medians of the rounds' ratios count. Judged is "processor", what each process used of a
core for one report, which other work on the machine disturbs less; the share by the clock is printed too.
Only ratios carry over to another machine.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import os
import pstats
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))

import psutil

from bench.speed.load import Broker, Publisher, reports, settings_text, start_service, wait_for_log
from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore

TARGET = 0.5
PROBES = 3

# Run as a process of its own, as `rushlight run` is.
_BARE = """
import json, sys, time
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
port, name, wanted = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
client.on_connect = lambda client, *rest: client.subscribe("rushlight/+/readings", 1)
client.on_message = lambda client, userdata, message: None
if not wanted:  # only to have a session that keeps what comes
    client.on_subscribe = lambda client, *rest: client.disconnect()
    client.connect("127.0.0.1", port)
    client.loop_forever()
    sys.exit()
# counting costs a little: every message goes through `empty`, counts are seen by the length of `marks`
seen = 0
def first(client, userdata, message):
    global seen, begin, used
    seen, begin = 1, time.perf_counter()
    used = time.process_time()
    client.on_message = empty
def empty(client, userdata, message):
    global seen
    seen += 1
    if seen == wanted:
        print(json.dumps([(seen - 1) / (time.perf_counter() - begin), (time.process_time() - used) / seen]))
        client.disconnect()
client.on_message = first
client.connect("127.0.0.1", port)
client.loop_forever()
"""


class Speed(NamedTuple):
    """Reports a second by the clock; processor seconds for one."""

    rate: float
    processor: float


def bare(port: int, messages: list[tuple[str, bytes]], name: str) -> Speed:
    command = [sys.executable, "-c", _BARE, str(port), name]
    subprocess.run([*command, "0"], check=True)
    _publish(port, messages)
    found = subprocess.run([*command, str(len(messages))], check=True, capture_output=True).stdout
    return Speed(*json.loads(found))


def whole(folder: Path, messages: list[tuple[str, bytes]], port: int) -> Speed:
    """`rushlight run` on a fresh store."""
    begin_session(folder, port)
    _publish(port, messages)
    process = start_service(folder)
    try:
        return watch_store(folder / "rushlight.db", len(messages) * PROBES, process)
    finally:
        process.terminate()
        process.wait(30)


def begin_session(folder: Path, port: int) -> None:
    """Let the service subscribe once, so that the broker keeps what comes while it is away."""
    process = start_service(folder)
    wait_for_log(folder, "connected")
    time.sleep(0.5)
    process.terminate()
    process.wait(30)


def watch_store(path: Path, wanted: int, process: subprocess.Popen[bytes]) -> Speed:
    """Speed from the first readings in the store to the last."""
    used = psutil.Process(process.pid)
    first: tuple[float, float, int] | None = None
    with closing(_opened(path)) as store:
        while True:
            count = store.position()
            now, spent = time.perf_counter(), sum(used.cpu_times()[:2])
            if first is None and count:
                first = now, spent, count
            if first is not None and count >= wanted:
                done = (count - first[2]) / PROBES
                return Speed(done / (now - first[0]), (spent - first[1]) / done)
            if process.poll() is not None:
                sys.exit("the service has ended")
            time.sleep(0.02)


def _opened(path: Path) -> EmbeddedStore:
    for _ in range(600):
        try:
            return EmbeddedStore(path, read_only=True)
        except StoreError:
            time.sleep(0.02)
    sys.exit(f"{path}: the service has not made its store")


def _publish(port: int, messages: list[tuple[str, bytes]]) -> None:
    publisher = Publisher(port)
    publisher.send(messages)
    publisher.close()


def profile(folder: Path, messages: list[tuple[str, bytes]], port: int) -> None:
    """Where the service's own thread spends its time; the same reports, in this process."""
    from rushlight.analysis.service.live import LiveAnalysis
    from rushlight.analysis.service.run import make_notifier
    from rushlight.collector.links import make_link
    from rushlight.collector.service.listener import system_clock
    from rushlight.collector.service.loop import CollectorService
    from rushlight.collector.settings import load_settings

    begin_session(folder, port)
    _publish(port, messages)
    settings = load_settings(folder / "rushlight.toml")
    link = make_link(settings.links[0], system_clock)
    with EmbeddedStore(folder / "rushlight.db") as store:
        analysis = LiveAnalysis(settings, make_notifier(settings, system_clock), system_clock)
        analysis.start(store, system_clock())
        service = CollectorService(settings, store, [link], analysis, system_clock)

        def stop() -> None:
            with EmbeddedStore(folder / "rushlight.db", read_only=True) as reader:
                while reader.position() < len(messages) * PROBES:
                    time.sleep(0.1)
            service.stop()

        threading.Thread(target=stop).start()
        found = cProfile.Profile(time.thread_time)
        found.runcall(service.run)
    pstats.Stats(found).sort_stats("tottime").print_stats(40)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--tanks", type=int, default=500)
    parser.add_argument("--reports", type=int, default=100, help="of each tank")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--profile", action="store_true", help="show where the time goes instead")
    args = parser.parse_args()
    found: dict[str, list[Speed]] = {"bare paho": [], "rushlight run": []}
    with tempfile.TemporaryDirectory(prefix="rushlight-bench-", dir=os.environ.get("BENCH_DIR")) as name:
        folder = Path(name)
        broker = Broker(folder)
        try:
            start = time.time_ns() // 1_000_000 - args.reports * 10_000
            messages = list(reports(args.tanks, args.reports, start))
            for turn in range(args.rounds):
                own = folder / f"round{turn}"
                own.mkdir()
                (own / "rushlight.toml").write_text(
                    settings_text(broker.port, args.tanks, f'client_id = "rushlight-{turn}"')
                )
                if args.profile:
                    profile(own, messages, broker.port)
                    return 0
                found["bare paho"].append(bare(broker.port, messages, f"bare-{turn}"))
                found["rushlight run"].append(whole(own, messages, broker.port))
        finally:
            broker.stop()
    print(f"{len(messages):,} reports of {PROBES} probes from {args.tanks} tanks, {args.rounds} rounds each")
    print(f"{'':15}{'reports/s':>11}{'processor µs/report':>22}")
    pairs = list(zip(found["rushlight run"], found["bare paho"], strict=True))
    clock = [ours.rate / other.rate for ours, other in pairs]
    processor = [other.processor / ours.processor for ours, other in pairs]
    for label, speeds in found.items():
        rate = statistics.median(speed.rate for speed in speeds)
        spent = statistics.median(speed.processor for speed in speeds) * 1e6
        print(f"{label:15}{rate:11,.0f}{spent:22.1f}")
    for label, shares in (("processor", processor), ("clock", clock)):
        each = ", ".join(f"{share:.0%}" for share in shares)
        print(f"share of bare by {label}: {statistics.median(shares):.0%} (rounds: {each})")
    reached = statistics.median(processor) >= TARGET
    print(f"target of {TARGET:.0%} by processor: {'reached' if reached else 'not reached'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
