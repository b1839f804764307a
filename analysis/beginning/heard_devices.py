"""What a device says in the first seconds: which tanks and quantities, or which topics with numbers."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import msgspec

from rushlight.collector.errors import WireError
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.senml import decode_line, decode_pack
from rushlight.collector.links.onlooker import BrokerOnlooker
from rushlight.collector.links.serial import SerialPortLink
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import MqttLink, SerialLink

__all__ = ["Heard", "hear", "serial_ports"]

_ENOUGH_S = 3.0  # after the first report, so long is waited for others


class Heard(msgspec.Struct):
    """Packs: tank -> quantity -> value. Topics of other firmware: (topic, field or "") -> value."""

    tanks: dict[str, dict[str, float | None]] = {}
    topics: dict[tuple[str, str], float] = {}
    wrong: str = ""
    refused: bool = False  # the broker lets nobody in by that name

    def take(self, delivery: Delivery) -> None:
        """One payload."""
        topic = delivery.topic
        if topic is None or topic.startswith("rushlight/"):
            try:
                report = (decode_line if topic is None else decode_pack)(delivery.payload)
            except WireError as error:
                self.wrong = safe_text(str(error), 300)
                return
            kept = self.tanks.setdefault(report.tank, {})
            kept.update({record.quantity: record.value for record in report.records})
            return
        with suppress(msgspec.MsgspecError):
            self._numbers(topic, "", msgspec.json.decode(delivery.payload))

    def _numbers(self, topic: str, path: str, value: object) -> None:
        if isinstance(value, bool):
            return
        if isinstance(value, int | float):
            self.topics[topic, path] = float(value)
        elif isinstance(value, dict):
            for name, inner in value.items():
                if isinstance(name, str) and "." not in name:
                    self._numbers(topic, f"{path}.{name}" if path else name, inner)


def serial_ports() -> list[str]:
    """Ports of this machine, those on USB first, by names that survive replugging where there are any."""
    from serial.tools.list_ports import comports

    folder = Path("/dev/serial/by-id")
    lasting = sorted(str(path) for path in folder.iterdir()) if folder.is_dir() else []
    return lasting or [
        port.device for port in sorted(comports(), key=lambda port: (port.vid is None, port.device))
    ]


def is_usb(port: str) -> bool:
    """Whether a board may well be at it: a port that is soldered in usually has none."""
    from serial.tools.list_ports import comports

    return port.startswith("/dev/serial/by-id/") or any(
        one.device == port and one.vid is not None for one in comports()
    )


def hear(link: SerialLink | MqttLink, seconds: float, say: Callable[[str], None], base: Path) -> Heard:
    """Listen for so long at most; ends soon after something was understood. LinkLost: nobody answers."""
    came: queue.Queue[Delivery] = queue.Queue(1000)

    def deliver(delivery: Delivery) -> None:
        with suppress(queue.Full):
            came.put_nowait(delivery)

    found, refused = Heard(), threading.Event()
    listening: SerialPortLink | BrokerOnlooker
    if isinstance(link, MqttLink):
        listening = BrokerOnlooker(link, ["#"], base)
        listening.start(deliver, say, lambda: refused.set())
    else:
        listening = SerialPortLink(link, lambda: round(time.time() * 1000))
        listening.start(deliver)
    try:
        end = time.monotonic() + seconds
        while time.monotonic() < end and not refused.is_set():
            try:
                found.take(came.get(timeout=0.2))
            except queue.Empty:
                continue
            if found.tanks:
                end = min(end, time.monotonic() + _ENOUGH_S)
    finally:
        listening.stop()
    found.refused = refused.is_set()
    return found
