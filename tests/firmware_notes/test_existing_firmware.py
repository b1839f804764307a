"""Each row of the notes' table of existing firmware, through a real Mosquitto into the real collector."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import Broker, wait_for
from tests.firmware_notes.avr import NOTES
from tests.running_service import TANK, Service, mqtt_link, publisher

TEXT = (NOTES / "existing-firmware.md").read_text(encoding="utf-8")


class Row(NamedTuple):
    """One line of the table."""

    topic: str
    payload: bytes
    keys: str  # TOML, one a line
    quantity: str
    stored: str


def _rows() -> list[Row]:
    found = []
    for line in TEXT.splitlines():
        if not line.startswith("| ") or "`shed/" not in line:
            continue
        _, _, topic, payload, keys, stored, _ = (cell.strip() for cell in line.split("|"))
        bare = re.findall(r"`([^`]*)`", payload)[0].replace(r"\r\n", "\r\n")
        settings = re.findall(r"`([^`]*)`", keys)
        (quantity,) = re.findall(r'quantity = "(\w+)"', keys)
        found.append(Row(topic.strip("`"), bare.encode(), "\n".join(settings), quantity, stored))
    return found


def test_each_row_of_the_table(mosquitto: Broker, service: Callable[..., Service]) -> None:
    """A tank for each row, so that no reading can be another's."""
    rows = _rows()
    assert len(rows) == 14
    links, tanks = mqtt_link(mosquitto.port), TANK
    for number, row in enumerate(rows):
        links += f'[[links.map]]\ntank = "row{number}"\n{row.keys}\n'
        tanks += TANK.replace("hallway", f"row{number}")
    running = service(links, tanks)
    running.start()
    running.wait_log("connected, MQTT")
    client = publisher(mosquitto)
    for row in rows:
        client.publish(row.topic, row.payload, qos=1).wait_for_publish(10)
    good = [row for row in rows if not row.stored.startswith("refused")]
    assert len(good) == 11
    wait_for(lambda: running.count() >= len(good), "what can be read")
    wait_for(lambda: running.log().count("is no number") >= 1, "what can't")
    client.disconnect()
    client.loop_stop()
    assert running.stop() == 0
    with EmbeddedStore(running.store, read_only=True) as store:
        for number, row in enumerate(rows):
            values = [reading.value for reading in store.readings(f"row{number}", row.quantity)]
            if row.stored == "a probe fault":
                assert values == [None], row
            elif row.stored.startswith("refused"):
                assert values == [], row
            else:
                assert values == [float(row.stored)], row
