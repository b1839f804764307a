"""`rushlight reload` and SIGHUP on a real service, on a real broker and port."""

from __future__ import annotations

import json
import signal
import sqlite3
import threading
import time
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from rushlight.collector.service.let_go import LET_GO_META
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.microcontroller import PtyLine
from tests.conftest import Broker, free_port, wait_for
from tests.running_service import TANK, Service, mqtt_link, publisher

WORDS = "[notices]\npicture = false\n"
NO_PAGE = "[status_page]\nenabled = false\n"
MAP = '[[links.map]]\ntopic = "shelf/a/t"\ntank = "hallway"\nquantity = "room_temperature"\n'
PORCH = TANK.replace("hallway", "porch").replace("Hallway shelf", "Porch")


def pack(tank: str, seq: int) -> bytes:
    return json.dumps(
        [{"bn": f"{tank}/", "seq": seq, "n": "temperature", "u": "Cel", "v": 20 + seq % 50 / 10}]
    ).encode()


def write(run: Service, text: str) -> None:
    (run.folder / "rushlight.toml").write_text(text)


def hang_up(run: Service) -> None:
    assert run.process is not None
    run.process.send_signal(signal.SIGHUP)


@pytest.mark.timeout(90)
def test_under_load_every_reading_is_kept_whatever_is_changed(service: Any, mosquitto: Broker) -> None:
    link = mqtt_link(mosquitto.port)
    run = service(link, TANK + NO_PAGE + WORDS)
    run.start()
    run.wait_log("connected")
    client = publisher(mosquitto)
    enough, sent = threading.Event(), [0]

    def stream() -> None:
        while not enough.is_set():
            client.publish("rushlight/hallway/readings", pack("hallway", sent[0]), qos=1).wait_for_publish(20)
            sent[0] += 1
            time.sleep(0.003)

    thread = threading.Thread(target=stream)
    thread.start()
    try:
        for number, (links, tanks) in enumerate(
            (
                (link + MAP, TANK),  # other topics
                (link + MAP, TANK.replace("26.0", "25.0") + PORCH),  # a limit and a tank
                (link + 'client_id = "another"\n', TANK + PORCH),  # another name at the broker
                (link + 'client_id = "another"\nprotocol = "3.1.1"\n', TANK),  # another connection, one name
                (link, TANK),
            ),
            1,
        ):
            write(run, links + tanks + NO_PAGE + WORDS)
            hang_up(run)
            run.wait_log("the settings were read again", number)
            time.sleep(1.5)
    finally:
        enough.set()
        thread.join(30)
    client.disconnect()
    client.loop_stop()
    assert sent[0] > 500
    wait_for(lambda: len({seq for seq, *_ in run.readings("temperature")}) >= sent[0], "all reports")
    assert run.stop() == 0
    assert sorted(seq for seq, *_ in run.readings("temperature")) == list(range(sent[0]))


@pytest.mark.timeout(60)
def test_a_new_tank_and_a_new_topic_are_read_without_a_restart(service: Any, mosquitto: Broker) -> None:
    link = mqtt_link(mosquitto.port)
    run = service(link, TANK + NO_PAGE)
    run.start()
    run.wait_log("connected")
    write(run, link + MAP + TANK.replace("26.0", "25.0") + PORCH + NO_PAGE)
    done = run.ask("reload")
    assert (done.returncode, done.stderr) == (0, "")
    lines = done.stdout.splitlines()
    assert "hallway: livestock temperature high 26 → 25 °C" in lines
    assert "porch: a new tank" in lines
    assert f"127.0.0.1:{mosquitto.port}: other topics are mapped" in lines
    client = publisher(mosquitto)
    client.publish("rushlight/porch/readings", pack("porch", 0), qos=1).wait_for_publish(10)
    client.publish("shelf/a/t", b"18.5", qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()

    def there() -> bool:
        with closing(EmbeddedStore(run.store, read_only=True)) as store:
            return bool(store.latest("porch")) and "room_temperature" in store.latest("hallway")

    wait_for(there, "both readings")
    assert run.log().count("connected, MQTT") == 1  # by the connection that was there
    assert run.ask("reload").stdout == "nothing has changed\n"


@pytest.mark.timeout(120)
def test_a_kill_while_the_disk_takes_nothing_loses_nothing_of_a_broker_that_was_let_go(
    service: Any, make_broker: Callable[..., Broker], tmp_path: Path
) -> None:
    old = make_broker()
    (new_folder := tmp_path / "new").mkdir()
    new = Broker(old._binary, new_folder)
    old.start()
    run = service(mqtt_link(old.port) + MAP, TANK + NO_PAGE)
    run.start()
    run.wait_log("connected")
    client = publisher(old)

    def bring(seq: int) -> None:
        client.publish("rushlight/hallway/readings", pack("hallway", seq), qos=1).wait_for_publish(10)
        client.publish("shelf/a/t", f"{18 + seq / 10}".encode(), qos=1).wait_for_publish(10)

    def kept() -> tuple[int, int]:
        return len(run.readings("temperature")), len(run.readings("room_temperature"))

    try:
        bring(0)
        wait_for(lambda: kept() == (1, 1), "the first reports")
        write(run, mqtt_link(new.port) + TANK + NO_PAGE)
        assert run.ask("reload").returncode == 0
        with closing(sqlite3.connect(run.store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")  # as a full disk: nothing can be written
            for seq in range(1, 6):
                bring(seq)
            run.wait_log("none is acknowledged")
            new.start()
            run.wait_log("the broker is there again")
            time.sleep(2.5)
            run.kill()
            other.execute("ROLLBACK")
        assert kept() == (1, 1)
        run.start()
        wait_for(lambda: kept() == (6, 6), "what the old broker still held")
        assert "is asked for what it still holds" in run.log()
        time.sleep(2.5)
        bring(6)  # nobody listens there any more
        assert run.stop() == 0
        assert kept() == (6, 6)
        with closing(EmbeddedStore(run.store, read_only=True)) as store:
            assert store.get_meta(LET_GO_META) == "[]"
    finally:
        client.disconnect()
        client.loop_stop()
        new.kill()


@pytest.mark.timeout(60)
def test_a_mistyped_broker_costs_no_reading_and_mended_it_is_the_old_connection(
    service: Any, mosquitto: Broker
) -> None:
    link, wrong = mqtt_link(mosquitto.port), mqtt_link(free_port())
    run = service(link + MAP, TANK + NO_PAGE)
    run.start()
    run.wait_log("connected")
    client = publisher(mosquitto)

    def bring(seq: int) -> None:
        client.publish("rushlight/hallway/readings", pack("hallway", seq), qos=1).wait_for_publish(10)
        client.publish("shelf/a/t", f"{18 + seq / 10}".encode(), qos=1).wait_for_publish(10)
        wait_for(lambda: len(run.readings("room_temperature")) == seq + 1, "the mapped reading")
        assert len(run.readings("temperature")) == seq + 1

    bring(0)
    for seq, links in enumerate((wrong, wrong, link + MAP), 1):
        # the second time only a limit changes, while the new broker is still waited for
        write(run, links + TANK.replace("26.0", f"{26 - seq}.0") + NO_PAGE)
        assert run.ask("reload").returncode == 0
        time.sleep(1.5)
        bring(seq)
    client.disconnect()
    client.loop_stop()
    assert run.log().count("connected, MQTT") == 1 and "contest" not in run.log()
    assert "no map in the settings" not in run.log()
    assert run.stop() == 0


@pytest.mark.timeout(60)
def test_what_is_wrong_or_needs_a_restart_changes_nothing(service: Any, mosquitto: Broker) -> None:
    link = mqtt_link(mosquitto.port)
    run = service(link, TANK + NO_PAGE)
    run.start()
    run.wait_log("connected")
    write(run, link + TANK.replace("26.0", "16.0") + 'colour = "red"\n' + PORCH + NO_PAGE)
    hang_up(run)
    run.wait_log("are not taken")
    assert "rushlight.toml: line 10" in run.log() and "colour" in run.log()
    bad = run.ask("reload")
    assert bad.returncode == 2 and "line" in bad.stderr and "colour" in bad.stderr
    assert bad.stderr.endswith("Nothing was changed: a service that runs goes on by its old settings.\n")
    write(run, link + TANK + PORCH + NO_PAGE + '[store]\nbucket = "elsewhere"\n')
    moved = run.ask("reload")
    assert moved.returncode == 2
    assert "[store] bucket" in moved.stderr and "restart the service" in moved.stderr
    client = publisher(mosquitto)
    client.publish("rushlight/porch/readings", pack("porch", 0), qos=1).wait_for_publish(10)
    client.publish("rushlight/hallway/readings", pack("hallway", 0), qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
    wait_for(lambda: run.count() >= 1, "the watched tank's reading")
    with closing(EmbeddedStore(run.store, read_only=True)) as store:
        assert not store.latest("porch")  # the file names it, but nothing of that file is in force
    write(run, link + TANK + PORCH + NO_PAGE)
    assert run.ask("reload").stdout == "porch: a new tank\n"  # and with the file mended it is


@pytest.mark.timeout(60)
def test_page_and_serial_port_move(service: Any) -> None:
    first, second = PtyLine(), PtyLine()
    ports, never = (free_port(), free_port()), threading.Event()

    def text(line: PtyLine, port: int) -> str:
        link = f'[[links]]\nkind = "serial"\nport = "{line.port}"\n'
        return f"{link}{TANK}[status_page]\nport = {port}\n"

    run = service(text(first, ports[0]), "")
    run.start()
    run.wait_log("the status page is at")
    wait_for(lambda: "open at" in run.log(), "the port")
    first.write(pack("hallway", 0) + b"\n", never)
    first.write(pack("hallway", 1) + b"\n", never)
    wait_for(lambda: run.count() >= 1, "a reading")
    write(run, text(second, ports[1]))
    hang_up(run)
    run.wait_log("the settings were read again")
    run.wait_log("open at", 2)
    with urllib.request.urlopen(f"http://127.0.0.1:{ports[1]}/", timeout=5) as page:
        assert page.status == 200
    with pytest.raises(OSError):
        urllib.request.urlopen(f"http://127.0.0.1:{ports[0]}/", timeout=2)
    before = run.count()
    second.write(pack("hallway", 5) + b"\n" + pack("hallway", 6) + b"\n", never)
    wait_for(lambda: run.count() > before, "a reading of the new port")
    assert run.stop() == 0


def test_without_a_service_it_says_so(service: Any) -> None:
    run = service(mqtt_link(1), TANK)
    done = run.ask("reload")
    assert done.returncode == 1 and "no service runs on this store" in done.stderr
