"""Boards that send, and remember of each report whether the broker acknowledged it.

The value tells the report: `light` is the report's number, `temperature` 10 °C and a ten-thousandth of it. So
what is stored can be told apart whatever time or report number the collector gave it.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
import tty
from collections import deque
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from rushlight.simulator.microcontroller import Firmware

__all__ = ["AlarmBoard", "Board", "BoardWithoutNumbers", "SerialBoard", "number_of", "wall_clock"]

_UNCONFIRMED = 20

Messages = list[tuple[str, bytes]]  # topic, payload


def wall_clock() -> int:
    """The machine's time, ms UTC."""
    return time.time_ns() // 1_000_000


def number_of(quantity: str, value: float | None) -> int:
    """The report's number from a stored value; -1 where it was none of ours."""
    if value is None:
        return -1
    return round((value - 10) * 10_000) if quantity == "temperature" else round(value)


def _pack(
    tank: str, number: int, seq: bool, time_ms: int | None = None, temperature: float | None = None
) -> bytes:
    head: dict[str, Any] = {"bn": f"{tank}/"}
    if time_ms is not None:
        head["bt"] = time_ms / 1000
    if seq:
        head["seq"] = number
    value = round(10 + number / 10_000, 4) if temperature is None else temperature
    first = head | {"n": "temperature", "u": "Cel", "v": value}
    return json.dumps([first, {"n": "light", "u": "lx", "v": number}]).encode()


class Board:
    """Publishes with QoS 1 in a kept session; what has no acknowledgement is sent again by paho.

    With `resend` it also sends its last so many reports again at each new connection, acknowledged or not, as
    a board may that does not trust its broker's memory.

    Attributes
    ----------
    sent : int
        Reports.
    acknowledged : dict
        Reports of which each message was acknowledged by the broker -> when (monotonic, s).
    """

    quantities: tuple[str, ...] = ("temperature", "light")

    def __init__(
        self,
        tank: str,
        port: int,
        pause_s: float,
        seq: bool,
        timed: bool,
        resend: int = 0,
        clock: Callable[[], int] = wall_clock,
        five: bool = False,
    ) -> None:
        self.tank, self.seq, self.timed = tank, seq, timed
        self.sent = 0
        self.acknowledged: dict[int, float] = {}
        self.clock, self.resend = clock, resend
        self._pause_s = pause_s
        self._lock = threading.Lock()
        self._numbers: dict[int, int] = {}
        self._left: dict[int, int] = {}  # report -> its messages that are not acknowledged
        self._early: set[int] = set()
        self._again: set[int] = set()
        self._stop = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"board-{tank}",
            protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
            clean_session=None if five else False,
        )
        self._five = five
        self._client.max_inflight_messages_set(_UNCONFIRMED)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._on_publish
        self._client.on_connect = self._on_connect
        self._connected = False
        self._recent: deque[tuple[str, bytes]] = deque(maxlen=resend)
        if five:
            kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            kept.SessionExpiryInterval = 86_400
            self._client.connect("127.0.0.1", port, clean_start=False, properties=kept)
        else:
            self._client.connect("127.0.0.1", port)
        self._thread = threading.Thread(target=self._run, name=tank, daemon=True)

    def messages(self, number: int) -> Messages:
        """A report as it is published."""
        time_ms = self.clock() if self.timed else None
        return [(f"rushlight/{self.tank}/readings", _pack(self.tank, number, self.seq, time_ms))]

    def start(self) -> None:
        self._client.loop_start()
        self._thread.start()

    def waiting(self) -> int:
        """Messages sent, or sent again, that have no acknowledgement yet; at least 1 without a connection."""
        with self._lock:
            return len(self._numbers) + len(self._again) or not self._client.is_connected()

    def stop_sending(self) -> None:
        self._stop.set()
        self._thread.join(30)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        while not self._stop.wait(self._pause_s):
            if len(self._numbers) >= _UNCONFIRMED:
                continue
            number, messages = self.sent, self.messages(self.sent)
            self._left[number] = len(messages)
            for topic, payload in messages:
                mid = self._client.publish(topic, payload, qos=1, properties=self._numbered(number)).mid
                with self._lock:
                    if mid in self._early:
                        self._early.discard(mid)
                        self._done(number)
                    else:
                        self._numbers[mid] = number
                self._recent.append((topic, payload))
            self.sent += 1

    def _numbered(self, number: int) -> Properties | None:
        if not self._five:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.UserProperty = ("number", f"<{number}>")
        return properties

    def _done(self, number: int) -> None:
        self._left[number] -= 1
        if not self._left[number]:
            del self._left[number]
            self.acknowledged[number] = time.monotonic()

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if self._connected:
            for topic, payload in tuple(self._recent):
                mid = client.publish(topic, payload, qos=1).mid
                with self._lock:
                    self._again.add(mid)
        self._connected = True

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: Any, properties: Any) -> None:
        with self._lock:
            if mid in self._again:
                self._again.discard(mid)
                return
            number = self._numbers.pop(mid, None)
            if number is None:
                self._early.add(mid)
            else:
                self._done(number)


class BoardWithoutNumbers(Board):
    """Firmware with its own topics: a plain number on each, no report number, no time.

    `light` is the report's number; `temperature` has a few values only, again and again, as thermometers
    have: of it only the count tells a loss. The number that the witness needs is in a user property (MQTT
    5.0, section 3.3.2.3.7), which nobody else reads. Reports come in bursts, so that several arrive in one
    millisecond. Nothing is ever sent again: what such a board sends twice are two readings.
    """

    TOPICS = (("t", "temperature"), ("l", "light"))
    quantities = ("light",)
    _VALUES, _BURST = 5, 4

    def __init__(self, tank: str, port: int, pause_s: float, clock: Callable[[], int] = wall_clock) -> None:
        super().__init__(tank, port, pause_s, seq=False, timed=False, clock=clock, five=True)

    @classmethod
    def settings(cls, tank: str) -> str:
        """The topic map, to stand behind the MQTT link."""
        return "".join(
            f'[[links.map]]\ntopic = "{tank}/{topic}"\ntank = "{tank}"\nquantity = "{quantity}"\n'
            for topic, quantity in cls.TOPICS
        )

    @classmethod
    def celsius(cls, number: int) -> float:
        """What a report has as its temperature."""
        return 22 + number % cls._VALUES / 10

    def messages(self, number: int) -> Messages:
        self._pause_s = 0.001 if (number + 1) % self._BURST else 0.15
        values = (self.celsius(number), number)
        return [
            (f"{self.tank}/{topic}", str(value).encode())
            for (topic, _), value in zip(self.TOPICS, values, strict=True)
        ]


class AlarmBoard(Board):
    """A tank that slowly grows too warm, again and again; `light` has the report's number."""

    quantities = ("light",)
    LIMIT_C, BASE_C, PEAK_C = 26.0, 25.0, 26.9
    _RISE_S, HOLD_S, _REST_S = 1200, 1200, 1200  # s of the boards' clock
    PERIOD_S = 2 * _RISE_S + HOLD_S + _REST_S

    def __init__(self, tank: str, port: int, pause_s: float, resend: int, clock: Callable[[], int]) -> None:
        super().__init__(tank, port, pause_s, True, True, resend, clock)
        self.began_ms = clock()

    def celsius(self, time_ms: int) -> float:
        """The water's temperature at a time."""
        at = (time_ms - self.began_ms) / 1000 % self.PERIOD_S - self._REST_S
        end = self._RISE_S + self.HOLD_S
        share = min(max(at, 0) / self._RISE_S, 1) if at < end else 1 - (at - end) / self._RISE_S
        return self.BASE_C + share * (self.PEAK_C - self.BASE_C)

    def warm(self, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
        """From when to when the water is at its warmest, over the limit for minutes before; ms."""
        first = self.began_ms + 1000 * (self._REST_S + self._RISE_S)
        starts = range(first, to_ms, 1000 * self.PERIOD_S)
        return [(start, start + 1000 * self.HOLD_S) for start in starts if start >= from_ms]

    def messages(self, number: int) -> Messages:
        time_ms = self.clock()
        # a probe's noise: the last digit is never quite still
        celsius = round(self.celsius(time_ms) + number % 3 / 100, 2)
        return [(f"rushlight/{self.tank}/readings", _pack(self.tank, number, True, time_ms, celsius))]


class SerialBoard:
    """Writes a line at its time, read or not: what finds no room is gone, as on a real line."""

    quantities: tuple[str, ...] = ("temperature", "light")

    def __init__(self, tank: str, pause_s: float, clock: Callable[[], int] = wall_clock) -> None:
        self.tank, self.sent = tank, 0
        self._clock = clock
        self._pause_s = pause_s
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self._firmware = Firmware(tank)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=tank, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop_sending(self) -> None:
        self._stop.set()
        self._thread.join(30)

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)

    def _run(self) -> None:
        while not self._stop.wait(self._pause_s):
            number = self.sent
            values = [("temperature", round(10 + number / 10_000, 4)), ("light", float(number))]
            line = self._firmware.line(self._clock(), values)
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, line)  # part of a line may get through: a torn one
            self.sent += 1
