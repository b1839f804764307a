# A small MQTT 3.1.1 client for MicroPython: connect with a last will, publish with QoS 1, ping, TLS.
# Runs on CPython, too.

import socket
import struct
import time

TIMEOUT_S = 10


class Lost(OSError):
    """The broker is not there, went away, or refuses; `args[0]` says which."""


def _text(value):
    data = value.encode() if isinstance(value, str) else value
    return struct.pack("!H", len(data)) + data


def _packet(head, body):
    size, left = b"", len(body)
    while True:
        left, byte = left >> 7, left & 0x7F
        size += bytes([byte | (0x80 if left else 0)])
        if not left:
            return bytes([head]) + size + body


class Client:
    """One connection at a time.

    `tls` is an ssl.SSLContext or None; `server_name` is the name in the broker's certificate.
    """

    def __init__(self, host, port, client_id, user=None, password=None, tls=None, keepalive_s=60):
        self.host, self.port, self.client_id = host, port, client_id
        self.user, self.password, self.tls, self.keepalive_s = user, password, tls, keepalive_s
        self.stream = None
        self._plain = None
        self._number = 0
        self._heard = 0

    def connect(self, will_topic, will):
        """Clean session, retained will with QoS 1. Lost where the broker can't be reached or refuses."""
        self.close()
        try:
            place = socket.getaddrinfo(self.host, self.port, 0, socket.SOCK_STREAM)[0]
            self._plain = socket.socket(place[0], place[1], place[2])
            self._plain.settimeout(TIMEOUT_S)
            self._plain.connect(place[-1])
            self.stream = self._plain
            if self.tls is not None:
                self.stream = self.tls.wrap_socket(self._plain, server_hostname=self.host)
        except (OSError, ValueError) as error:
            self.close()
            raise Lost("can't reach the broker: %s" % error)
        flags = 0x02 | 0x04 | 0x08 | 0x20  # clean session, will, its QoS 1, retained
        body = _text("MQTT") + bytes([4, 0]) + struct.pack("!H", self.keepalive_s)
        body += _text(self.client_id) + _text(will_topic) + _text(will)
        if self.user is not None:
            flags |= 0x80
            body += _text(self.user)
        if self.password is not None:
            flags |= 0x40
            body += _text(self.password)
        body = body[:7] + bytes([flags]) + body[8:]
        self._write(_packet(0x10, body))
        head, answer = self._read()
        if head != 0x20 or len(answer) != 2 or answer[1]:
            self.close()
            raise Lost("the broker refuses: code %s; are user, password and client_id right?" % list(answer))

    def publish(self, topic, payload, retain=False):
        """QoS 1: returns when the broker has taken it."""
        self._number = self._number % 65535 + 1
        number = struct.pack("!H", self._number)
        self._write(_packet(0x32 | retain, _text(topic) + number + payload))
        while True:
            head, answer = self._read()
            if head == 0x40 and answer == number:
                return

    def ping(self):
        """Also says whether the broker is still there."""
        self._write(b"\xc0\x00")
        while self._read()[0] != 0xD0:
            pass

    def say_goodbye(self):
        """Ends the connection in order: the broker keeps the will to itself."""
        try:
            self._write(b"\xe0\x00")
        except Lost:
            pass
        self.close()

    def close(self):
        """As if the cable were pulled."""
        for each in (self.stream, self._plain):
            try:
                if each is not None:
                    each.close()
            except OSError:
                pass
        self.stream = self._plain = None

    def _write(self, data):
        if self.stream is None:
            raise Lost("not connected")
        try:
            while data:
                sent = self.stream.write(data) if hasattr(self.stream, "write") else self.stream.send(data)
                data = data[sent or 0 :]
        except OSError as error:
            self.close()
            raise Lost("the connection is lost: %s" % error)

    def _exactly(self, count):
        data = b""
        end = time.time() + TIMEOUT_S
        while len(data) < count:
            try:
                read = self.stream.read if hasattr(self.stream, "read") else self.stream.recv
                more = read(count - len(data))
            except OSError as error:
                self.close()
                raise Lost("the connection is lost: %s" % error)
            if more:
                data += more
            elif more is not None or time.time() > end:
                self.close()
                raise Lost("the broker closed the connection")
        return data

    def _read(self):
        if self.stream is None:
            raise Lost("not connected")
        head = self._exactly(1)[0]
        size = shift = 0
        while True:
            byte = self._exactly(1)[0]
            size |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return head, self._exactly(size) if size else b""
