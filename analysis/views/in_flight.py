"""What a broker that speaks MQTT 3.1.1 costs while nothing can be stored, in a keeper's words."""

from __future__ import annotations

from collections.abc import Iterator

from rushlight.analysis.alarms.wording import duration_text
from rushlight.collector.settings import MqttLink, Settings

__all__ = ["in_flight_lines"]

IN_FLIGHT = 20
"""Reports that a broker hands on before one is acknowledged, where the collector can't ask for more, as it
can since MQTT 5 (Receive Maximum, section 3.1.2.11.3): Mosquitto's default of `max_inflight_messages`,
mosquitto.conf(5)."""


def in_flight_lines(settings: Settings) -> Iterator[str]:
    """A line for each such broker; none where all speak MQTT 5."""
    for link in settings.links:
        if isinstance(link, MqttLink) and link.protocol == "3.1.1" and settings.tanks:
            span = duration_text(IN_FLIGHT / _reports_a_second(link, settings))
            yield (
                f"{link.host}:{link.port}, MQTT 3.1.1: while nothing can be stored (a full disk), alarms are "
                f"judged for about {span} only, because a broker hands on {IN_FLIGHT} reports unless its "
                'max_inflight_messages is raised: set protocol = "5", or max_inflight_messages 1000 there'
            )


def _reports_a_second(link: MqttLink, settings: Settings) -> float:
    """As the settings say: a report from each tank, or one on each of its own topics."""
    topics = dict.fromkeys(settings.tanks, 0)
    for entry in link.map:
        topics[entry.tank] = topics.get(entry.tank, 0) + 1
    every = {name: tank.report_every_s for name, tank in settings.tanks.items()}
    return sum(max(count, 1) / every[name] for name, count in topics.items() if name in every)
