"""`rushlight listen`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rushlight.analysis.commands.options import CONFIG, say

if TYPE_CHECKING:
    from rushlight.collector.settings import Settings

__all__ = ["listen"]


@click.command()
@CONFIG
@click.option("--port", metavar="PORT", help="A serial port, as /dev/ttyUSB0, not the settings' links.")
@click.option("--baud", default=115_200, show_default=True, help="Its speed.")
@click.option("--broker", metavar="HOST[:PORT]", help="A broker, not the settings' links.")
@click.option("--everything", is_flag=True, help="All topics of the broker, not only those that are read.")
@click.option("--for", "seconds", type=click.FloatRange(min=0), metavar="SECONDS", help="End after so long.")
def listen(
    config: str, port: str | None, baud: int, broker: str | None, everything: bool, seconds: float | None
) -> int:
    """Show what devices send, payload by payload, and what is wrong in it; stores nothing.

    A broker may be listened to while the service runs; a serial port belongs to one program at a time.
    """
    from rushlight.analysis.service.link_check import listen_to

    settings = _settings(config, port, baud, broker)
    heard = listen_to(settings, everything, seconds, say)
    if not heard:
        say("Nothing came. Is the device on, does it report, are topic or port the right ones?", err=True)
    return 0 if heard else 1


def _settings(config: str, port: str | None, baud: int, broker: str | None) -> Settings:
    from pathlib import Path

    from rushlight.collector.errors import SettingsError
    from rushlight.collector.settings import MqttLink, SerialLink, Settings, load_settings

    if port and broker:
        raise click.UsageError("--port and --broker: give one of them")
    named = bool(port or broker)
    settings = load_settings(config) if Path(config).exists() or not named else Settings(path=config)
    if port:
        settings.links = [SerialLink(port=port, baud=baud)]
    elif broker:
        host, _, number = broker.partition(":")
        if number and not number.isdigit():
            raise click.BadParameter(f"{number!r} is no port number; write HOST:1883", param_hint="--broker")
        known = [one for one in settings.links if isinstance(one, MqttLink) and one.host == host]
        settings.links = [*known[:1]] or [MqttLink(host=host, port=int(number or 1883))]
    if not settings.links:
        raise SettingsError(f"{config}: has no [[links]]; name a --port or a --broker to listen to")
    return settings
