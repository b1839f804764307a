"""What a broker that is killed forgets of what it has acknowledged, and what it costs to forget less.

    python -m bench.soak.broker_window [--kills 40]

One board publishes with QoS 1; nobody is there to take the reports, so all must wait in the broker. It is
killed with SIGKILL each 0.2 to 1 s. At the end a subscriber with a kept session gets what is left: what was
acknowledged and is not among that is lost. Only Mosquitto is measured here, nothing of Rushlight.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from bench.soak.world import BrokerProcess

TOPIC = "rushlight/porch/readings"
CONFIGURATIONS = {
    "autosave_interval 60": "autosave_interval 60\n",
    "autosave_interval 1": "autosave_interval 1\n",
    "on changes, after each": "autosave_interval 1\nautosave_on_changes true\n",
}


def _client(name: str, port: int) -> mqtt.Client:
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311, clean_session=False
    )
    client.reconnect_delay_set(1, 1)
    client.max_inflight_messages_set(20)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def measure(settings: str, kills: int, seed: int, pause_s: float) -> tuple[int, int, float]:
    """Reports acknowledged, reports lost, and reports acknowledged a second while the broker is there."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory(prefix="soak") as folder:
        broker = BrokerProcess(Path(folder), settings)
        broker.start()
        reader = _client("reader", broker.port)
        reader.subscribe(TOPIC, qos=1)
        time.sleep(0.3)
        reader.disconnect()
        reader.loop_stop()
        board = _client("board", broker.port)
        acknowledged: set[int] = set()
        numbers: dict[int, int] = {}
        early: set[int] = set()

        def on_publish(
            client: mqtt.Client, data: object, mid: int, reason: object, properties: object
        ) -> None:
            if mid in numbers:
                acknowledged.add(numbers.pop(mid))
            else:
                early.add(mid)

        board.on_publish = on_publish
        number, up = 0, 0.0
        for _ in range(kills):
            began = time.monotonic()
            end = began + chance.uniform(0.2, 1.0)
            while time.monotonic() < end:
                if len(numbers) < 10 and board.is_connected():
                    info = board.publish(TOPIC, b"%d" % number, qos=1)
                    numbers[info.mid] = number
                    if info.mid in early:
                        early.discard(info.mid)
                        acknowledged.add(numbers.pop(info.mid))
                    number += 1
                    time.sleep(pause_s)
                else:
                    time.sleep(0.0005)
            up += time.monotonic() - began
            broker.kill()
            broker.start()
            while not board.is_connected():
                time.sleep(0.01)
        while numbers:
            time.sleep(0.01)
        board.disconnect()
        board.loop_stop()
        got: set[int] = set()
        last = time.monotonic()

        def on_message(client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
            nonlocal last
            last = time.monotonic()
            got.add(int(message.payload))

        reader = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="reader", protocol=mqtt.MQTTv311, clean_session=False
        )
        reader.on_message = on_message
        reader.connect("127.0.0.1", broker.port)
        reader.loop_start()
        while time.monotonic() - last < 2:
            time.sleep(0.05)
        reader.disconnect()
        reader.loop_stop()
        broker.stop()
    return len(acknowledged), len(acknowledged - got), len(acknowledged) / up


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(
        "| saves | a report every | kills | acknowledged | lost | of those, a kill | acknowledged a second |"
    )
    print("|---|---|---|---|---|---|---|")
    for name, settings in CONFIGURATIONS.items():
        for pause_s in (0.0, 0.02):
            acknowledged, lost, rate = measure(settings, arguments.kills, arguments.seed, pause_s)
            print(
                f"| {name} | {'as fast as it goes' if not pause_s else f'{pause_s * 1000:.0f} ms'} |"
                f" {arguments.kills} | {acknowledged} | {lost} | {lost / arguments.kills:.2f} | {rate:.0f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
