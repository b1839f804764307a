"""The soak's witness must see what was handed over and what was acknowledged, or nobody can be blamed."""

from __future__ import annotations

from collections.abc import Callable

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from bench.soak.load import _pack, wall_clock
from bench.soak.tap import Tap
from tests.conftest import Broker, wait_for


@pytest.mark.parametrize("protocol", [mqtt.MQTTv5, mqtt.MQTTv311])
def test_the_tap_sees_both_ways(make_broker: Callable[..., Broker], protocol: int) -> None:
    broker = make_broker()
    broker.start()
    tap = Tap(broker.port)
    got: list[mqtt.MQTTMessage] = []
    reader = mqtt.Client(CallbackAPIVersion.VERSION2, "reader", protocol=protocol, manual_ack=True)
    reader.on_message = lambda client, data, message: got.append(message)
    ready: list[int] = []
    reader.on_subscribe = lambda client, data, mid, reasons, properties: ready.append(mid)
    reader.connect("127.0.0.1", tap.port)
    reader.loop_start()
    reader.subscribe("rushlight/+/readings", qos=1)
    wait_for(lambda: ready, "the subscription")
    board = mqtt.Client(CallbackAPIVersion.VERSION2, "board")
    board.connect("127.0.0.1", broker.port)
    board.loop_start()
    for number in range(200):  # so that message ids hold every kind of byte, brackets too
        board.publish("rushlight/porch/readings", _pack("porch", number, True, wall_clock()), qos=1)
    for count in range(1, 201):
        wait_for(lambda count=count: len(got) >= count, "the reports")  # type: ignore[misc]
        if count % 3:
            reader.ack(got[count - 1].mid, 1)
        if count > 50 and (count - 51) % 3 == 2:
            reader.ack(got[count - 51].mid, 1)  # late, out of order
    wanted = {("porch", n) for n in range(200) if n % 3 != 2 or n < 150}
    wait_for(lambda: tap.acknowledged == wanted, "the acknowledgements")
    assert tap.handed == dict.fromkeys([("porch", n) for n in range(200)], 1)
    for client in (reader, board):
        client.disconnect()
        client.loop_stop()
    tap.close()
