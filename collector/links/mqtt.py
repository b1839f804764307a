"""A broker: MQTT 5 or 3.1.1, kept session, QoS 1, acknowledged by hand after the durable commit."""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.senml import MAX_PAYLOAD
from rushlight.collector.links.base import SESSION_S, Deliver
from rushlight.collector.links.broker_access import failure_text, from_environment, tls_context
from rushlight.collector.links.contest import Contest
from rushlight.collector.links.fast_paho import FastClient
from rushlight.collector.links.subscriptions import Subscriptions
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import MqttLink

__all__ = ["BrokerLink"]

_log = logging.getLogger(__name__)

_KEEPALIVE_S = 30
_RECEIVE_MAXIMUM = 1000  # unacknowledged at once: a batch of the service, and less than timing's window
_MAXIMUM_PACKET = 16 * 1024 * 1024  # more than this the broker must not even send (MQTT 5)
_RETRY_S = (1, 60)
_COUNTERS = (
    "delivered",
    "redelivered",
    "acknowledged",
    "oversize",
    "retained",
    "connected",
    "subscribed",
    "unsubscribed",
    "lost",
    "refused",
    "failed",
)


class BrokerLink:
    """Receives what devices publish; see `Link`.

    Parameters
    ----------
    settings : MqttLink
    clock : callable
        Milliseconds since 1970.
    base : Path, optional
        Folder for relative certificate paths.
    retry_s : tuple of float
        First and longest pause between attempts to connect.

    Raises
    ------
    SettingsError
        An environment variable or certificate is missing or can't be used.
    """

    def __init__(
        self,
        settings: MqttLink,
        clock: Clock,
        base: Path | None = None,
        retry_s: tuple[float, float] = _RETRY_S,
    ) -> None:
        self.name = f"{settings.host}:{settings.port}"
        self.counters = dict.fromkeys(_COUNTERS, 0)
        self.alarms = settings.alarms
        self._settings = settings
        self._clock = clock
        self._say = ClearLog(_log, clock)
        self._deliver: Deliver | None = None
        self._connection = 0  # message ids belong to one connection
        self._up = False
        self._reason_said = False  # why this connection is not taken
        self._contest = Contest()
        self._state_topic = f"rushlight/collector/{settings.client_id}"
        self._five = settings.protocol == "5"
        self._parting = threading.Event()
        self._subscriptions = Subscriptions(
            self.name, settings.filters(), self._five, self._say, self.counters
        )
        self._client = self._build(base or Path(), retry_s)

    def _build(self, base: Path, retry_s: tuple[float, float]) -> FastClient:
        settings = self._settings
        client = FastClient(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            clean_session=None if self._five else False,
            protocol=mqtt.MQTTv5 if self._five else mqtt.MQTTv311,
            manual_ack=True,
        )
        client.parting = self._parting
        client.describe = failure_text
        client.on_publish_packet = self._on_publish_packet
        username = settings.username
        if settings.username_env is not None:
            username = from_environment(settings.username_env, "username_env")
        if settings.password_env is not None:
            password = from_environment(settings.password_env, "password_env")
            client.username_pw_set(username or "", password)
        elif username is not None:
            client.username_pw_set(username)
        if settings.tls_ca or settings.tls_certificate or settings.port == 8883:
            client.tls_set_context(tls_context(settings, base))
        # paho asks for whole seconds but only adds them to a time
        client.reconnect_delay_set(*retry_s)  # type: ignore[arg-type]
        client.will_set(self._state_topic, b"offline", qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        return client

    def start(self, deliver: Deliver) -> None:
        """Connect on a thread of its own; returns at once, also where no broker is there yet."""
        self._deliver = deliver
        self._parting.clear()
        host, port = self._settings.host, self._settings.port
        if self._five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_S
            properties.ReceiveMaximum = _RECEIVE_MAXIMUM
            properties.MaximumPacketSize = _MAXIMUM_PACKET
            self._client.connect_async(host, port, _KEEPALIVE_S, clean_start=False, properties=properties)
        else:
            self._client.connect_async(host, port, _KEEPALIVE_S)
        self._client.loop_start()

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        """Acknowledge after the commit; what came by an earlier connection comes again and is skipped."""
        if not self._up:
            return
        current = self._connection
        mids = [mid for connection, mid in (d.token for d in deliveries) if mid and connection == current]
        self._client.acknowledge(mids)
        self.counters["acknowledged"] += len(mids)

    def follow(self, settings: MqttLink) -> None:
        """Other topics at the same broker, by the same login; the connection stays."""
        self._settings, self.alarms = settings, settings.alarms
        self._subscriptions.change(self._client, settings.filters(), self._up)

    def retire(self) -> None:
        """Another link is in its place: nothing new is wanted, what is on its way still comes."""
        self._subscriptions.change(self._client, [], self._up)

    def contested(self) -> bool:
        """Whether another program of the same name throws us out, so that it gets what is ours."""
        return self._contest.goes_on(self._clock())

    def publish(self, topic: str, payload: bytes) -> None:
        """Retained, QoS 1; while there is no connection it waits for one."""
        self._client.publish(topic, payload, qos=1, retain=True)

    def flushed(self) -> bool:
        """Whether the broker has taken all that was published."""
        return not self._client.outgoing

    def stop(self) -> None:
        """Say goodbye (``offline``, as the last will would) and close; the session is kept."""
        self._parting.set()
        if self._up:
            # where the connection goes in this moment, the last will says it
            with contextlib.suppress(RuntimeError, ValueError):
                self._client.publish(self._state_topic, b"offline", qos=1, retain=True).wait_for_publish(2)
        self._client.disconnect()
        self._client.loop_stop()
        self._up = False

    # Callbacks, on paho's thread. One that raises would stop the thread, or have its message for ever.

    def _on_connect(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Any,
    ) -> None:
        if reason.is_failure:
            self._reason_said = True
            self.counters["refused"] += 1
            self._say.say("refused", f"{self.name}: the broker refuses: {self._refusal(reason)}; trying on")
            return
        self._connection += 1
        self._contest.connected(self._clock())
        self._up = True
        self.counters["connected"] += 1
        again = self._say.over("failed", f"{self.name}: the broker is there again")
        again = self._say.over("refused", f"{self.name}: the broker takes us now") or again
        self._say.over("lost", f"{self.name}: connected again")
        if not again and self.counters["connected"] == 1:
            _log.info("%s: connected, MQTT %s", self.name, self._settings.protocol)
        self._subscriptions.ask(client)
        client.publish(self._state_topic, b"online", qos=1, retain=True)

    def _refusal(self, reason: ReasonCode) -> str:
        text = str(reason)
        if reason.value in (134, 135):
            text += "; are `username` and the password in the environment right, and may this user connect?"
        elif reason.value == 133:
            text += f"; is client_id {self._settings.client_id!r} allowed?"
        elif reason.value == 132:
            text += '; set protocol = "3.1.1"' if self._five else '; set protocol = "5"'
        return text

    def _on_connect_fail(self, client: mqtt.Client, userdata: Any) -> None:
        self.counters["failed"] += 1
        self._say.say("failed", f"{self.name}: can't reach the broker: {self._client.failure}; trying on")

    def _on_disconnect(
        self, client: mqtt.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        was_up, self._up = self._up, False
        reason_said, self._reason_said = self._reason_said, False
        if self._parting.is_set():
            return
        if not was_up:
            if not reason_said:
                self._client.failure = (
                    f"it closes the connection without a word of MQTT {self._settings.protocol}; is `port` "
                    "that of a broker, and does it want TLS (`tls_ca`)?"
                )
                self._on_connect_fail(client, userdata)
            return
        self.counters["lost"] += 1
        self._say.say("lost", f"{self.name}: connection lost ({reason}); connecting again")
        if self._contest.lost(self._clock(), taken_over=reason.value == 142):  # 142: session taken over
            self._say.say(
                "contest",
                f"{self.name}: lost again right after connecting: does another collector use client_id "
                f"{self._settings.client_id!r}? Give each its own",
            )

    def _on_subscribe(
        self, client: mqtt.Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        self._subscriptions.answered(mid, reasons)

    def _on_publish_packet(self, topic: bytes, payload: bytes, mid: int, dup: bool, retain: bool) -> None:
        try:
            self._take(topic, payload, mid, dup, retain)
        except Exception:
            # not acknowledged: it comes again with the next connection
            _log.exception("%s: a message could not be taken in", self.name)

    def _take(self, raw_topic: bytes, payload: bytes, mid: int, dup: bool, retain: bool) -> None:
        try:
            topic = raw_topic.decode("utf-8")
        except UnicodeDecodeError:
            topic = "?"
        size = len(payload)
        counters = self.counters
        if size > MAX_PAYLOAD:
            counters["oversize"] += 1
            self._say.say(
                "oversize",
                f"{self.name}: {safe_text(topic, 120)}: dropped {size} bytes; at most {MAX_PAYLOAD} are read",
            )
            self._drop(mid)
            return
        if retain and not topic.endswith("/device"):
            # MQTT 3.1.1 can't ask the broker to leave it out, see on_connect
            counters["retained"] += 1
            self._drop(mid)
            return
        counters["delivered"] += 1
        if dup:
            counters["redelivered"] += 1
        assert self._deliver is not None
        self._deliver(Delivery(self.name, topic, payload, self._clock(), dup, (self._connection, mid), mid))

    def _drop(self, mid: int) -> None:
        if mid:
            self._client.acknowledge([mid])
