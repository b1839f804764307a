"""Listening to the links of the settings without storing anything."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from rushlight.analysis.views.heard import HeardLines
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links.onlooker import BrokerOnlooker
from rushlight.collector.links.serial import SerialPortLink
from rushlight.collector.settings import MqttLink, Settings

__all__ = ["listen_to"]

_EVERYTHING = "#"  # all topics but the broker's own (MQTT 5 section 4.7.1)
_WAITING = 1000  # payloads at most; what comes quicker than it can be shown is left out


def listen_to(settings: Settings, everything: bool, seconds: float | None, say: Callable[[str], None]) -> int:
    """Show what comes until Ctrl-C, or for `seconds`; how many payloads came.

    Raises
    ------
    LinkLost, SettingsError
        A broker does not answer, or its access is not set.
    """
    came: queue.Queue[tuple[int, Delivery]] = queue.Queue(_WAITING)

    def into(place: int) -> Callable[[Delivery], None]:
        def deliver(delivery: Delivery) -> None:
            with suppress(queue.Full):
                came.put_nowait((place, delivery))

        return deliver

    lines, count = HeardLines(settings), 0
    ends = None if seconds is None else time.monotonic() + seconds
    said = ""

    def once(text: str) -> None:
        nonlocal said
        if text != said:  # a broker that refuses does so at each new try
            said = text
            say(text)

    links: list[BrokerOnlooker | SerialPortLink] = []
    try:
        for place, link in enumerate(settings.links):
            if isinstance(link, MqttLink):
                topics = [_EVERYTHING] if everything else link.filters()
                onlooker = BrokerOnlooker(link, topics, Path(settings.path).parent)
                onlooker.start(into(place), once)
                links.append(onlooker)
            else:
                port = SerialPortLink(link, lambda: round(time.time() * 1000))
                port.start(into(place))
                links.append(port)
                say(f"{link.port}: listening at {link.baud} baud")
        while ends is None or time.monotonic() < ends:
            try:
                place, delivery = came.get(timeout=0.2)
            except queue.Empty:
                continue
            count += 1
            for line in lines.of(place, delivery):
                say(line)
    except KeyboardInterrupt:
        pass
    finally:
        for one in links:
            one.stop()
    return count
