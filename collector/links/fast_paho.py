"""Paho's client with a faster way in for messages, and outliving what it can't parse.

Paho asks the socket for a byte or a few at a time, handles one packet for each `select`, and builds for every
message objects (MQTT 5's properties most of all) that nobody here looks at; each acknowledgement is two
system calls. That is most of the cost of a message. Here the socket is read in large pieces, whole PUBLISH
packets are taken straight out of them, and acknowledgements of one batch are one write. Connecting, the
session, keep-alive, subscribing and all else stay paho's; what is overridden is marked, and belongs to paho's
inside: `paho-mqtt` is pinned below 3.
"""

from __future__ import annotations

import logging
import ssl
import threading
from collections.abc import Callable, Iterable
from struct import Struct

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

__all__ = ["FastClient", "TlsSocket"]

_log = logging.getLogger(__name__)

_CHUNK = 65536
_PUBACK = Struct("!BBH").pack
_PUBLISH = 0x30  # the packet's type, as in paho's `PUBLISH`; here and below without a look-up for each packet
_SUCCESS = MQTTErrorCode.MQTT_ERR_SUCCESS


class TlsSocket(ssl.SSLSocket):
    """Closed where the handshake fails: paho would leave it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


class FastClient(mqtt.Client):
    """Set `on_publish_packet`, `parting` and `describe` right after making it; `on_message` is not used.

    Attributes
    ----------
    failure : str
        Why it could not connect, in words.
    parting : threading.Event
        Set when it is to stop: no further attempt then.
    describe : callable
        An exception of connecting, in words.
    on_publish_packet : callable
        Is given each PUBLISH packet (MQTT 5 section 3.3), on paho's thread: topic, payload, packet identifier
        (0 at QoS 0), whether it may have been sent before, whether it was retained. It must not raise.
    """

    failure: str = ""
    parting: threading.Event
    describe: Callable[[Exception], str]
    on_publish_packet: Callable[[bytes, bytes, int, bool, bool], None]

    _buffer: bytes = b""
    _at: int = 0

    def acknowledge(self, mids: Iterable[int]) -> None:
        """PUBACK (section 3.4) for QoS 1 messages; safe from any thread."""
        packets = b"".join([_PUBACK(mqtt.PUBACK, 2, mid) for mid in mids])
        if packets:
            self._packet_queue(mqtt.PUBACK, packets, 0, 1)

    @property
    def outgoing(self) -> int:
        """Messages of QoS 1 that were published and that the broker has not acknowledged yet."""
        return len(self._out_messages)

    # -- paho's own, overridden ---------------------------------------------------------------------------

    def reconnect(self) -> MQTTErrorCode:
        self._buffer, self._at = b"", 0
        try:
            return super().reconnect()
        except OSError as error:
            self.failure = self.describe(error)
            raise
        except Exception as error:  # such as UnicodeError from a host name: paho's thread would end
            self.failure = self.describe(error)
            raise OSError(str(error)) from error

    def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> MQTTErrorCode:
        while True:
            try:
                return super().loop_forever(timeout, retry_first_connection)
            except Exception:
                _log.exception("%s: can't understand the broker; connecting anew", self.host)
            if self.parting.wait(self._reconnect_max_delay / 10):
                return MQTTErrorCode.MQTT_ERR_NO_CONN
            try:
                self.reconnect()
            except OSError:
                self._handle_on_connect_fail()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        """All that was read at once: `select` knows nothing of what is in the buffer."""
        found = super().loop_read(max_packets)
        while found == MQTTErrorCode.MQTT_ERR_SUCCESS and self._at < len(self._buffer):
            found = super().loop_read(max_packets)
        return found

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._buffer):
            self._buffer, self._at = super()._sock_recv(_CHUNK), 0
        piece = self._buffer[self._at : self._at + bufsize]
        self._at += len(piece)
        return piece

    def _packet_read(self) -> MQTTErrorCode:
        """PUBLISH packets that are whole in the buffer are taken as they lie there; all else is paho's."""
        if self._in_packet["command"] == 0:
            data, at = self._buffer, self._at
            have, begin, found = len(data), at, _SUCCESS
            while at < have and data[at] & 0xF0 == _PUBLISH:
                start, size, shift = at + 1, 0, 0
                while start < have and shift < 28:  # a variable byte integer, section 1.5.5
                    byte = data[start]
                    start += 1
                    size |= (byte & 127) << shift
                    if byte < 128:
                        break
                    shift += 7
                else:
                    break
                end = start + size
                if end > have:
                    break
                self._at = end
                found = self._published(data[at], data, start, end)
                if found is not _SUCCESS:
                    return found
                at = end
            if at > begin:
                return found
        return super()._packet_read()

    def _handle_publish(self) -> MQTTErrorCode:
        packet = bytes(self._in_packet["packet"])
        return self._published(self._in_packet["command"], packet, 0, len(packet))

    def _published(self, head: int, data: bytes, at: int, end: int) -> MQTTErrorCode:
        qos = head & 6
        if qos > 2 or end - at < 2:
            return MQTTErrorCode.MQTT_ERR_PROTOCOL  # QoS 2 was never asked for
        topic_at = at + 2
        at = topic_at + (data[at] << 8 | data[at + 1])
        topic = data[topic_at:at]
        mid = 0
        if qos:
            if at + 2 > end:
                return MQTTErrorCode.MQTT_ERR_PROTOCOL
            mid = data[at] << 8 | data[at + 1]
            at += 2
        if self._protocol == mqtt.MQTTv5 and at < end and not data[at]:
            at += 1  # no properties, as nearly always
        elif self._protocol == mqtt.MQTTv5:
            size = shift = 0
            while at < end:
                byte = data[at]
                at += 1
                size |= (byte & 127) << shift
                shift += 7
                if byte < 128:
                    break
            at += size  # the properties: no topic alias among them, we have not allowed any
        if at > end or (qos and not mid):
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        self.on_publish_packet(topic, data[at:end], mid, head & 8 != 0, head & 1 != 0)
        return _SUCCESS
