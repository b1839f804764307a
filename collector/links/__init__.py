"""Links: where payloads come from. `make_link` turns a table of the settings into one."""

from __future__ import annotations

from pathlib import Path

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links.base import Deliver, Link, Subscriber
from rushlight.collector.log import Clock
from rushlight.collector.settings import MqttLink, SerialLink

__all__ = ["Deliver", "Delivery", "Link", "Subscriber", "make_link"]


def make_link(settings: SerialLink | MqttLink, clock: Clock, base: Path | None = None) -> Link:
    """The link that a `[[links]]` table describes, not yet started.

    Parameters
    ----------
    settings : SerialLink or MqttLink
    clock : callable
        Milliseconds since 1970, for arrival times.
    base : Path, optional
        Folder that relative certificate paths are meant from (that of the settings file).

    Raises
    ------
    SettingsError
        Where an environment variable or certificate that the settings name is missing.
    """
    if isinstance(settings, SerialLink):
        from rushlight.collector.links.serial import SerialPortLink

        return SerialPortLink(settings, clock)
    from rushlight.collector.links.mqtt import BrokerLink

    return BrokerLink(settings, clock, base)
