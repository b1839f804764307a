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
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulator.microcontroller import Firmware

__all__ = ["Board", "SerialBoard", "number_of"]

_UNCONFIRMED = 20


def number_of(quantity: str, value: float | None) -> int:
    """The report's number from a stored value; -1 where it was none of ours."""
    if value is None:
        return -1
    return round((value - 10) * 10_000) if quantity == "temperature" else round(value)


def _pack(tank: str, number: int, seq: bool, timed: bool) -> bytes:
    head: dict[str, Any] = {"bn": f"{tank}/"}
    if timed:
        head["bt"] = time.time_ns() // 1_000_000 / 1000
    if seq:
        head["seq"] = number
    first = head | {"n": "temperature", "u": "Cel", "v": round(10 + number / 10_000, 4)}
    return json.dumps([first, {"n": "light", "u": "lx", "v": number}]).encode()


class Board:
    """Publishes with QoS 1 in a kept session; what has no acknowledgement is sent again by paho.

    With `resend` it also sends its last so many reports again at each new connection, acknowledged or not, as
    a board may that does not trust its broker's memory.
    """

    def __init__(self, tank: str, port: int, pause_s: float, seq: bool, timed: bool, resend: int = 0) -> None:
        self.tank, self.seq, self.timed = tank, seq, timed
        self.sent = 0
        self.acknowledged: dict[int, float] = {}
        self._pause_s = pause_s
        self._lock = threading.Lock()
        self._numbers: dict[int, int] = {}
        self._early: set[int] = set()
        self._again: set[int] = set()
        self._stop = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"board-{tank}",
            protocol=mqtt.MQTTv311,
            clean_session=False,
        )
        self._client.max_inflight_messages_set(_UNCONFIRMED)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._on_publish
        self._client.on_connect = self._on_connect
        self._connected = False
        self._recent: deque[bytes] = deque(maxlen=resend)
        self._client.connect("127.0.0.1", port)
        self._thread = threading.Thread(target=self._run, name=tank, daemon=True)

    def start(self) -> None:
        self._client.loop_start()
        self._thread.start()

    def waiting(self) -> int:
        """Reports sent, or sent again, that have no acknowledgement yet; at least 1 without a connection."""
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
            payload = _pack(self.tank, self.sent, self.seq, self.timed)
            mid = self._client.publish(f"rushlight/{self.tank}/readings", payload, qos=1).mid
            with self._lock:
                if mid in self._early:
                    self._early.discard(mid)
                    self.acknowledged[self.sent] = time.monotonic()
                else:
                    self._numbers[mid] = self.sent
            self.sent += 1
            self._recent.append(payload)

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if self._connected:
            for payload in tuple(self._recent):
                mid = client.publish(f"rushlight/{self.tank}/readings", payload, qos=1).mid
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
                self.acknowledged[number] = time.monotonic()


class SerialBoard:
    """Writes a line at its time, read or not: what finds no room is gone, as on a real line."""

    def __init__(self, tank: str, pause_s: float) -> None:
        self.tank, self.sent = tank, 0
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
            line = self._firmware.line(time.time_ns() // 1_000_000, values)
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, line)  # part of a line may get through: a torn one
            self.sent += 1
