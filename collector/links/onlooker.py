"""A look at a broker by a session of its own, which leaves nothing behind and takes no message away."""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from rushlight.collector.errors import LinkLost
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.links.base import Deliver
from rushlight.collector.links.broker_access import failure_text, from_environment, tls_context
from rushlight.collector.settings import MqttLink

__all__ = ["BrokerOnlooker"]


class BrokerOnlooker:
    """Hands on all that is published from now on, without a kept session; see `BrokerLink` for the real one.

    Parameters
    ----------
    settings : MqttLink
    topics : list of str
        Filters to subscribe to.
    base : Path
        Folder for relative certificate paths.

    Raises
    ------
    SettingsError
        An environment variable or certificate is missing.
    """

    def __init__(self, settings: MqttLink, topics: list[str], base: Path) -> None:
        self.name = f"{settings.host}:{settings.port}"
        self._settings, self._topics = settings, topics
        five = settings.protocol == "5"
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{settings.client_id}-onlooker-{os.getpid()}-{secrets.token_hex(3)}",
            clean_session=None if five else True,
            protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
        )
        username = settings.username
        if settings.username_env is not None:
            username = from_environment(settings.username_env, "username_env")
        password = from_environment(settings.password_env, "password_env") if settings.password_env else None
        if username is not None or password is not None:
            self._client.username_pw_set(username or "", password)
        if settings.tls_ca or settings.tls_certificate or settings.port == 8883:
            self._client.tls_set_context(tls_context(settings, base))

    def start(
        self, deliver: Deliver, say: Callable[[str], None], refused: Callable[[], None] = lambda: None
    ) -> None:
        """Connect and begin; LinkLost where nobody answers. `refused` is called where it lets nobody in."""

        def on_connect(client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
            if reason.is_failure:
                say(f"{self.name}: the broker refuses: {reason}; are user name and password right?")
                refused()
                return
            say(f"{self.name}: connected; listening to {', '.join(self._topics)}")
            client.subscribe([(topic, 0) for topic in self._topics])

        def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
            now_ms = round(time.time() * 1000)
            deliver(Delivery(self.name, message.topic, bytes(message.payload), now_ms))

        self._client.on_connect, self._client.on_message = on_connect, on_message
        try:
            self._client.connect(self._settings.host, self._settings.port, keepalive=30)
        except (OSError, ValueError) as error:
            raise LinkLost(f"{self.name}: {failure_text(error)}") from None
        self._client.loop_start()

    def stop(self) -> None:
        """Say goodbye."""
        self._client.disconnect()
        self._client.loop_stop()
