"""`rushlight run` as a process of its own: killed, stopped, started again, on a real broker and port."""

from __future__ import annotations

import json
import random
import threading
import time
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import psutil
import pytest

from rushlight.collector.readings import STAMP_ARRIVAL, STAMP_DEVICE
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.microcontroller import Firmware, PtyLine
from tests.conftest import Broker, free_port, now_ms, wait_for
from tests.running_service import mqtt_link, publisher

WORDS = "[notices]\npicture = false\n"  # pictures have a test of their own, and take their time


def pack(seq: int, time_ms: int | None = None, celsius: float = 24.0) -> bytes:
    head: dict[str, Any] = {"bn": "hallway/", "seq": seq}
    if time_ms is not None:
        head["bt"] = time_ms / 1000
    # the value tells the report: what is stored can be compared with what was sent
    return json.dumps(
        [
            head | {"n": "temperature", "u": "Cel", "v": celsius},
            {"n": "ph", "u": "pH", "v": 6.5 + seq % 100 / 1000},
        ]
    ).encode()


@pytest.mark.timeout(60)
@pytest.mark.parametrize("timed", [True, False], ids=["bt and seq", "seq only"])
def test_killed_again_and_again_in_a_stream_nothing_is_lost_or_doubled(
    timed: bool, service: Any, mosquitto: Broker
) -> None:
    chance, enough = random.Random(5), threading.Event()
    run = service(mqtt_link(mosquitto.port))
    run.start()
    run.wait_log("connected")
    began = now_ms() - 60_000
    sent: list[int | None] = []
    client = publisher(mosquitto)

    def stream() -> None:
        while not enough.is_set():
            seq = len(sent)
            sent.append(began + 100 * seq if timed else None)
            client.publish("rushlight/hallway/readings", pack(seq, sent[seq]), qos=1).wait_for_publish(20)
            time.sleep(0.004)

    thread = threading.Thread(target=stream)
    thread.start()
    try:
        for _ in range(5):
            before = run.count()
            wait_for(lambda before=before: run.count() > before, "readings to be committed")
            time.sleep(chance.uniform(0, 0.15))
            run.kill()
            run.start()
    finally:
        enough.set()
        thread.join(30)
    client.disconnect()
    client.loop_stop()
    number = len(sent)
    assert number > 100
    wait_for(lambda: len(run.readings("ph")) >= number, "all reports")
    assert run.stop() == 0
    for quantity in ("temperature", "ph"):
        got = run.readings(quantity)
        assert sorted(seq for seq, *_ in got) == list(range(number))
        for seq, time_ms, value, stamp in got:
            assert stamp == (STAMP_DEVICE if timed else STAMP_ARRIVAL)
            assert value == (24.0 if quantity == "temperature" else 6.5 + seq % 100 / 1000)
            if timed:
                assert time_ms == sent[seq]
    with closing(EmbeddedStore(run.store, read_only=True)) as store:
        assert store.check() == []
        assert store.counters().get("hallway.lost", 0) == 0
        assert not [name for name in store.counters() if name.startswith("bad.")]


@pytest.mark.timeout(90)
def test_a_board_without_numbers_loses_nothing_when_the_service_is_killed(
    service: Any, mosquitto: Broker
) -> None:
    """Plain numbers on a topic of its own, the same few values again; Mosquitto counts its packets up."""
    chance, enough = random.Random(7), threading.Event()
    run = service(
        mqtt_link(mosquitto.port)
        + '[[links.map]]\ntopic = "shed/probe/t"\ntank = "hallway"\nquantity = "temperature"\n'
    )
    run.start()
    run.wait_log("connected")
    sent: list[float] = []
    client = publisher(mosquitto)

    def stream() -> None:
        while not enough.is_set():
            value = 24.0 + len(sent) // 5 % 3 / 10
            client.publish("shed/probe/t", str(value), qos=1).wait_for_publish(20)
            sent.append(value)
            time.sleep(0.004)

    thread = threading.Thread(target=stream)
    thread.start()
    try:
        for _ in range(6):
            before = run.count()
            wait_for(lambda before=before: run.count() > before + 20, "readings to be committed")
            time.sleep(chance.uniform(0, 0.3))
            run.kill()
            run.start()
    finally:
        enough.set()
        thread.join(30)
    client.disconnect()
    client.loop_stop()
    wait_for(lambda: len(run.readings("temperature")) >= len(sent), "all reports")
    assert run.stop() == 0
    got = [value for _, _, value, _ in run.readings("temperature")]
    assert len(sent) > 100
    assert {value: got.count(value) for value in set(sent)} == {v: sent.count(v) for v in set(sent)}


class Inbox:
    """An address that notices are sent to; `deaf` takes connections and never answers, as a hung channel."""

    def __init__(self) -> None:
        self.got: list[str] = []
        self.deaf = True
        self.tried = 0
        self.beats = 0
        inbox = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                inbox.tried += 1
                if inbox.deaf:
                    time.sleep(3)
                    return
                inbox.got.append(json.loads(body)["title"])
                self.send_response(200)
                self.end_headers()

            def do_GET(self) -> None:
                inbox.beats += 1
                self.send_response(200)
                self.end_headers()

            def log_message(self, format: str, *args: Any) -> None: ...

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


@pytest.mark.timeout(60)
def test_alarms_and_notices_survive_a_kill(service: Any, mosquitto: Broker) -> None:
    inbox = Inbox()
    run = service(mqtt_link(mosquitto.port) + WORDS, RUSHLIGHT_NOTICE_URLS=f"json://127.0.0.1:{inbox.port}/")
    run.start()
    run.wait_log("connected")
    client = publisher(mosquitto)
    began = now_ms() - 1_200_000
    for seq in range(116):
        client.publish(
            "rushlight/hallway/readings", pack(seq, began + 10_000 * seq, 28.0 + seq % 3 / 100), qos=1
        )
    run.wait_log("temperature-high")
    wait_for(lambda: inbox.tried, "the notice to be on its way")
    run.kill()  # between sending and its mark
    with closing(EmbeddedStore(run.store, read_only=True)) as store:
        (notice,) = store.pending_notices()
        assert (notice.transition, notice.delivered_ms) == ("raised", None)
    inbox.deaf = False
    run.start()
    wait_for(lambda: inbox.got, "the notice, sent again")
    assert "28.0 °C" in inbox.got[0] and "HIGH" in inbox.got[0]
    screen = run.ask("status")
    assert screen.returncode == 0
    assert "HIGH temperature-high: unacknowledged" in screen.stdout
    assert f"the service runs (process {run.process.pid})" in screen.stdout
    said = run.ask("acknowledge", "hallway", "temperature-high")
    assert (said.returncode, said.stdout) == (0, "hallway/temperature-high acknowledged\n")
    run.kill()
    run.start()
    run.wait_log("connected", 3)
    # the stream goes on: what stands is neither raised nor sent again
    for seq in range(116, 120):
        client.publish("rushlight/hallway/readings", pack(seq, began + 10_000 * seq, 28.0), qos=1)
    wait_for(lambda: len(run.readings("ph")) == 120, "the rest of the stream")
    assert "HIGH temperature-high: acknowledged" in run.ask("status").stdout
    assert run.stop() == 0
    client.disconnect()
    client.loop_stop()
    inbox.close()
    with closing(EmbeddedStore(run.store, read_only=True)) as store:
        events = [e for e in store.events() if e.alarm == "temperature-high"]
        assert [e.event for e in events] == ["raised", "acknowledged"]
        assert store.pending_notices() == []  # no reminder: it was acknowledged
    assert len(inbox.got) == 1


@pytest.mark.timeout(60)
def test_broker_and_service_start_and_end_in_any_order(service: Any, make_broker: Any) -> None:
    broker = make_broker()
    run = service(mqtt_link(broker.port))
    run.start()
    run.wait_log("can't reach the broker")
    broker.start()
    run.wait_log("the broker is there again")
    client = publisher(broker)

    def send(first: int, last: int) -> None:
        wait_for(client.is_connected, "the device to find the broker again")
        for seq in range(first, last):
            client.publish("rushlight/hallway/readings", pack(seq, now_ms()), qos=1).wait_for_publish(20)

    def kept(number: int) -> None:
        wait_for(lambda: len(run.readings("ph")) == number, f"{number} reports")

    send(0, 20)
    kept(20)
    broker.stop()  # the broker goes and comes back while the service runs
    run.wait_log("connection lost")
    broker.start()
    run.wait_log("connected again")
    send(20, 40)
    kept(40)
    assert run.stop() == 0  # the service goes, reports wait at the broker, which is itself started anew
    send(40, 60)
    broker.stop()
    broker.start()
    run.start()
    kept(60)
    run.kill()  # both go by force
    send(60, 80)
    sent, saved = time.time(), broker.folder / "mosquitto.db"  # the broker saves each second what it holds
    wait_for(lambda: saved.stat().st_mtime > sent, "the broker to save")
    broker.kill()
    run.start()
    broker.start()
    kept(80)
    assert run.stop() == 0
    client.disconnect()
    client.loop_stop()
    assert sorted(seq for seq, *_ in run.readings("ph")) == list(range(80))


@pytest.mark.timeout(60)
def test_a_port_and_a_steady_run_in_little_memory(service: Any, tmp_path: Path) -> None:
    inbox = Inbox()
    inbox.deaf = False
    line, stop = PtyLine(), threading.Event()
    run = service(
        f'[[links]]\nkind = "serial"\nport = "{line.port}"\n{WORDS}',
        RUSHLIGHT_NOTICE_URLS=f"json://127.0.0.1:{inbox.port}/",
        RUSHLIGHT_HEARTBEAT_URL=f"http://127.0.0.1:{inbox.port}/",
    )
    run.start()
    assert line.wait_for_reader(stop)
    time.sleep(1.5)  # a round of the notices' thread
    assert inbox.beats == 0  # nothing has come in: all is not well
    firmware = Firmware("hallway")
    line.write(firmware.boot(), stop)
    began, number = now_ms() - 10_000 * 3000, 3000
    for seq in range(number):
        celsius = 24.0 + seq % 5 / 100 + (3.5 if seq > 2000 else 0)
        line.write(firmware.line(began + 10_000 * seq, [("temperature", celsius), ("ph", 6.8)]), stop)
    wait_for(lambda: len(run.readings("ph")) == number, "all lines")
    wait_for(lambda: inbox.got, "the notice")
    wait_for(lambda: inbox.beats == 1, "the heartbeat")
    # 120 MB is the project's own limit; apprise is loaded by now
    assert psutil.Process(run.process.pid).memory_info().rss < 120e6
    again = run.ask("run")
    assert again.returncode == 1
    assert f"(process {run.process.pid}) is running on this store" in again.stderr
    assert len(again.stderr.splitlines()) == 1
    # SIGTERM: what has arrived is kept, the state saved, and the next start goes on from there
    line.write(firmware.line(began + 10_000 * number, [("temperature", 27.5), ("ph", 6.8)]), stop)
    assert line.wait_until_read(stop)
    assert run.stop() == 0
    assert len(run.readings("ph")) == number + 1
    run.start()
    run.wait_log("analysis restored, with 0 readings since")
    assert run.stop() == 0
    line.close()
    inbox.close()


@pytest.mark.timeout(60)
def test_a_steady_run_over_mqtt_in_little_memory(service: Any, mosquitto: Broker) -> None:
    run = service(mqtt_link(mosquitto.port))
    run.start()
    run.wait_log("connected")
    client = publisher(mosquitto)
    began, number = now_ms() - 10_000 * 3000, 3000
    for seq in range(number):
        client.publish("rushlight/hallway/readings", pack(seq, began + 10_000 * seq), qos=1)
    wait_for(lambda: len(run.readings("ph")) == number, "all reports")
    assert psutil.Process(run.process.pid).memory_info().rss < 120e6
    assert run.stop() == 0
    client.disconnect()
    client.loop_stop()


@pytest.mark.timeout(30)
def test_a_port_that_is_not_there_and_settings_that_are_wrong(service: Any) -> None:
    run = service(f'[[links]]\nkind = "mqtt"\nport = {free_port()}\npassword_env = "NOT_SET_ANYWHERE"\n')
    said = run.ask("run")
    assert said.returncode == 2
    assert "NOT_SET_ANYWHERE" in said.stderr and len(said.stderr.splitlines()) == 1
