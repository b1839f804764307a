"""PUBLISH packets are the same messages however the network has cut them up (MQTT, section 3.3)."""

from __future__ import annotations

import socket
from itertools import pairwise
from struct import pack

import paho.mqtt.client as mqtt
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from rushlight.collector.links.fast_paho import FastClient

Message = tuple[bytes, bytes, int, bool, bool]


def packet(message: Message, five: bool, properties: bytes = b"") -> bytes:
    """As a broker sends it; section 2.1.4 has the remaining length."""
    topic, payload, mid, dup, retain = message
    body = pack("!H", len(topic)) + topic + (pack("!H", mid) if mid else b"")
    if five:
        body += bytes([len(properties)]) + properties
    body += payload
    size, length = len(body), bytearray()
    while True:
        size, low = divmod(size, 128)
        length.append(low | (128 if size else 0))
        if not size:
            break
    return bytes([0x30 | dup << 3 | (2 if mid else 0) | retain]) + bytes(length) + body


def received(pieces: list[bytes], five: bool) -> tuple[list[Message], MQTTErrorCode]:
    """What a client makes of the pieces that its socket brings, and how its last look ended."""
    client = FastClient(
        CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311, manual_ack=True
    )
    found: list[Message] = []
    client.on_publish_packet = lambda *message: found.append(message)
    ours, theirs = socket.socketpair()
    end = MQTTErrorCode.MQTT_ERR_SUCCESS
    with ours, theirs:
        ours.setblocking(False)
        client._sock = ours
        for piece in pieces:
            theirs.sendall(piece)
            end = client.loop_read()
        client._sock = None
    return found, end


messages = st.lists(
    st.tuples(
        st.sampled_from((b"rushlight/hallway/readings", b"t", "größe/x".encode())),
        st.binary(max_size=300),
        st.integers(0, 65535),
        st.booleans(),
        st.booleans(),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=150, deadline=None)
@given(messages, st.booleans(), st.lists(st.integers(0, 2000), max_size=4))
def test_cut_anywhere_they_are_the_same(sent: list[Message], five: bool, cuts: list[int]) -> None:
    properties = b"\x02\x00\x00\x00\x3c"  # section 3.3.2.3.3, message expiry interval: passed over
    stream = b"".join(packet(one, five, properties if one[2] % 2 else b"") for one in sent)
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    pieces = [stream[a:b] for a, b in pairwise(edges) if b > a]
    assert received(pieces, five) == (sent, MQTTErrorCode.MQTT_ERR_SUCCESS)


def test_what_breaks_the_protocol_ends_the_connection() -> None:
    good: Message = (b"t", b"21.5", 7, False, False)
    whole = packet(good, True)
    qos_2 = bytes([whole[0] | 4]) + whole[1:]
    no_number = whole.replace(pack("!H", 7), pack("!H", 0))
    for bad in (qos_2, no_number, b"\x32\x01\x00", b"\x32\x04\x00\x09ab"):
        found, end = received([whole + bad], True)
        assert found == [good]
        assert end == MQTTErrorCode.MQTT_ERR_PROTOCOL
