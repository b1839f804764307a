"""A witness between collector and broker: what was handed to the collector, and what it acknowledged.

It hands on every byte as it is and reads along (MQTT 5.0, OASIS, sections 2.1 and 3.3: PUBLISH is type 3,
PUBACK type 4). With it a loss can be laid at the right door: what the collector acknowledged to the broker
it must have; what it never acknowledged the broker had to keep.
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import threading
from collections import Counter

from bench.soak.load import BoardWithoutNumbers

__all__ = ["Tap"]

_PUBLISH, _PUBACK = 3, 4
_PLAIN = dict(BoardWithoutNumbers.TOPICS)


class Tap:
    """Listens on a port of its own and hands on to `broker_port`.

    Attributes
    ----------
    handed : Counter
        (tank, report's number) -> how often the broker handed it to the collector.
    acknowledged : set
        (tank, report's number) that the collector acknowledged.
    behind : Counter
        Tank -> how many reports back the broker went at most, of those acknowledged: it forgot so many.
    """

    def __init__(self, broker_port: int) -> None:
        self.handed: Counter[tuple[str, int]] = Counter()
        self.acknowledged: set[tuple[str, int]] = set()
        self.behind: Counter[str] = Counter()
        self._newest: Counter[str] = Counter()
        self._broker_port = broker_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, name="tap", daemon=True).start()

    def close(self) -> None:
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                collector, _ = self._listener.accept()
            except OSError:
                return
            try:
                broker = socket.create_connection(("127.0.0.1", self._broker_port), 5)
            except OSError:
                collector.close()
                continue
            broker.settimeout(None)
            for end in (collector, broker):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            open_: dict[int, tuple[str, int]] = {}  # packet identifier -> report
            for source, target in ((collector, broker), (broker, collector)):
                threading.Thread(target=self._pump, args=(source, target, open_), daemon=True).start()

    def _pump(self, source: socket.socket, target: socket.socket, open_: dict[int, tuple[str, int]]) -> None:
        rest = bytearray()
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                rest += data
                self._read(rest, open_)  # first, so that nobody can have seen what is not noted yet
                target.sendall(data)
        for end in (source, target):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _read(self, rest: bytearray, open_: dict[int, tuple[str, int]]) -> None:
        while (found := _whole(rest)) is not None:
            head, size = found
            kind, body = rest[0] >> 4, bytes(rest[head:size])
            if kind == _PUBLISH and rest[0] & 6:
                report = _report(body)
                if report is not None:
                    mid = int.from_bytes(body[2 + _short(body) :][:2], "big")
                    open_[mid] = report
                    self.handed[report] += 1
                    if report in self.acknowledged:
                        tank, number = report
                        self.behind[tank] = max(self.behind[tank], self._newest[tank] - number)
            elif kind == _PUBACK and (report := open_.pop(int.from_bytes(body[:2], "big"), None)):
                self.acknowledged.add(report)
                self._newest[report[0]] = max(self._newest[report[0]], report[1])
            del rest[:size]


def _short(data: bytes) -> int:
    return int.from_bytes(data[:2], "big")


def _whole(data: bytearray) -> tuple[int, int] | None:
    """Where the first packet's body begins and ends; None where it is not all there."""
    length, shift, at = 0, 0, 1
    while at < len(data):
        length |= (data[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not data[at - 1] & 0x80:
            return (at, at + length) if at + length <= len(data) else None
    return None


def _report(body: bytes) -> tuple[str, int] | None:
    """Tank and number of one of our boards' reports, from a PUBLISH of QoS 1.

    Of a board without numbers each topic stands for itself: its name is put in the tank's place.
    """
    name = body[2 : 2 + _short(body)].decode()
    topic = name.split("/")
    if len(topic) == 2 and topic[1] in _PLAIN:
        number = re.search(rb"<([0-9]+)>", body)  # in a user property
        return (name, int(number[1])) if number else None
    if len(topic) != 3 or topic[2] != "readings":
        return None
    payload = body[body.index(b"[{", 4 + _short(body)) :]  # behind the properties
    return topic[1], int(json.loads(payload)[1]["v"])
