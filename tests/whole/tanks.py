"""Made-up tanks with a board each, and the ways on which their reports come: a broker and a serial line.

A tank's true values go towards where a fault pulls them; a board reports them by its own clock, with or
without numbers and times. The broker keeps what was not acknowledged and sends it again at the next
connection, marked as sent before, as MQTT does with QoS 1 (MQTT 5, section 4.4). A serial line keeps nothing.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links import Deliver
from rushlight.collector.settings import MqttLink

__all__ = ["Board", "FaultName", "Message", "SerialWire", "TestBroker"]

HOUR_S = 3600.0
IN_FLIGHT = 1000  # unacknowledged at most, as the service asks of a broker

FaultName = str
PULLS: dict[str, dict[str, float]] = {
    "hot": {"temperature": 31.0},
    "cold": {"temperature": 13.0},
    "gas": {"ph": 6.0},
    "heater": {"temperature": 30.0, "heater_power": 50.0},
}
USUAL = {"temperature": 23.0, "ph": 7.0, "heater_power": 0.0}
SPEED = {"temperature": 4.0, "ph": 0.9, "heater_power": 1e6}  # towards it, an hour
NOISE = {"temperature": 0.02, "ph": 0.01, "heater_power": 0.0}
UNIT = {"temperature": "Cel", "ph": "pH", "heater_power": "W"}


@dataclass
class Board:
    """A tank and its microcontroller.

    `way` is "mqtt", "serial" or "mapped" (plain numbers on topics of its own, so without number and time).
    """

    tank: str
    way: str
    quantities: tuple[str, ...]
    every_s: float = 120.0
    timed: bool = True
    numbered: bool = True
    on: bool = True
    clock_off_ms: int = 0
    digits: int = 3
    seq: int = 0
    faults: set[FaultName] = field(default_factory=set)
    values: dict[str, float] = field(default_factory=dict)
    rng: random.Random = field(default_factory=lambda: random.Random(9))

    def measure(self) -> dict[str, float]:
        """What its probes read now; one step of `every_s` after the last."""
        found = {}
        for quantity in self.quantities:
            goal = USUAL[quantity]
            for fault in sorted(self.faults):
                goal = PULLS[fault].get(quantity, goal)
            value = self.values.get(quantity, USUAL[quantity])
            most = SPEED[quantity] * self.every_s / HOUR_S
            value += max(-most, min(most, goal - value))
            self.values[quantity] = value
            found[quantity] = round(value + self.rng.uniform(-1, 1) * NOISE[quantity], self.digits)
        return found

    def payloads(self, values: dict[str, float], true_ms: int) -> list[tuple[str | None, bytes]]:
        """(topic, payload) of one report."""
        if self.way == "mapped":
            return [(f"shelf/{self.tank}/{name}", str(value).encode()) for name, value in values.items()]
        records: list[dict[str, object]] = [
            {"n": name, "u": UNIT[name], "v": value} for name, value in values.items()
        ]
        records[0]["bn"] = f"{self.tank}/"
        if self.timed:
            records[0]["bt"] = (true_ms + self.clock_off_ms) / 1000
        if self.numbered:
            records[0]["seq"] = self.seq
            self.seq += 1
        pack = json.dumps(records).encode()
        return [(None if self.way == "serial" else f"rushlight/{self.tank}/readings", pack)]

    def boot(self) -> None:
        """Its numbers begin again."""
        self.seq = 0


@dataclass
class Message:
    """One that the broker keeps until it is acknowledged."""

    number: int
    topic: str
    payload: bytes
    sent_before: bool = False
    in_flight: bool = False


class TestBroker:
    """Keeps messages for one session; is the service's link at the same time."""

    __test__ = False

    def __init__(
        self, clock: Callable[[], int], point: Callable[[str], None], true: Callable[[], int]
    ) -> None:
        self.name = "mqtt localhost:1883"
        self.counters: dict[str, int] = {}
        self.kept: dict[int, Message] = {}
        self.acknowledged: dict[str, int] = {}  # messages with a temperature, by tank
        self._clock = clock
        self._point = point
        self._true = true
        self._deliver: Deliver | None = None
        self.held_back_ms: list[int] = []  # when it could hand nothing on, with so many unacknowledged
        self._number = 0
        self._connection = 0

    def publish(self, topic: str, payload: bytes) -> None:
        self._number = self._number % 65_535 + 1
        while self._number in self.kept:
            self._number = self._number % 65_535 + 1
        self.kept[self._number] = Message(self._number, topic, payload)
        self._send()

    def start(self, deliver: Deliver) -> None:
        self._deliver = deliver
        self._connection += 1
        self._send()

    def follow(self, settings: MqttLink) -> None:
        """All topics come in any case."""

    def retire(self) -> None:
        self.cut()

    def stop(self) -> None:
        self.cut()

    def cut(self) -> None:
        """The connection is gone: what was in flight is sent again at the next one."""
        self._deliver = None
        for message in self.kept.values():
            message.sent_before |= message.in_flight
            message.in_flight = False

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        self._point("before acknowledge")
        for delivery in deliveries:
            connection, number = delivery.token
            message = self.kept.get(number)
            if message is not None and message.in_flight and connection == self._connection:
                del self.kept[number]
                tank = message.topic.split("/")[1]
                self.acknowledged[tank] = self.acknowledged.get(tank, 0) + 1
        self._point("after acknowledge")
        self._send()

    def _send(self) -> None:
        room = IN_FLIGHT - sum(message.in_flight for message in self.kept.values())
        for message in list(self.kept.values()):
            if self._deliver is None or room <= 0:
                if self._deliver is not None:
                    self.held_back_ms.append(self._true())
                return
            if not message.in_flight:
                message.in_flight = True
                room -= 1
                self._deliver(
                    Delivery(
                        self.name,
                        message.topic,
                        message.payload,
                        self._clock(),
                        message.sent_before,
                        (self._connection, message.number),
                        message.number,
                    )
                )


class SerialWire:
    """A line that keeps nothing."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self.name = "serial /dev/made-up"
        self.counters: dict[str, int] = {}
        self._clock = clock
        self._deliver: Deliver | None = None

    def write(self, line: bytes) -> bool:
        """False where nobody reads."""
        if self._deliver is None:
            return False
        self._deliver(Delivery(self.name, None, line, self._clock()))
        return True

    def start(self, deliver: Deliver) -> None:
        self._deliver = deliver

    def stop(self) -> None:
        self._deliver = None

    def cut(self) -> None:
        self._deliver = None

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        for _ in deliveries:
            pass
