# The time from a server (SNTP, RFC 4330): one question, one answer.

import socket
import struct

SINCE_1900 = 2208988800  # seconds from 1900 to 1970


def ask(host, port=123, timeout_s=2):
    """Milliseconds since 1970 UTC, whole, or None where nobody answers or the server has no time itself."""
    asking = None
    try:
        place = socket.getaddrinfo(host, port, 0, socket.SOCK_DGRAM)[0]
        asking = socket.socket(place[0], place[1], place[2])
        asking.settimeout(timeout_s)
        asking.connect(place[-1])
        asking.send(b"\x23" + bytes(47))  # version 4, a client's question
        answer = asking.recv(48)
    except OSError:
        return None
    finally:
        if asking is not None:
            asking.close()
    if len(answer) < 48 or answer[0] & 7 != 4 or answer[0] >> 6 == 3 or not 1 <= answer[1] <= 15:
        return None  # no server's answer, or one whose own clock is not set
    whole, part = struct.unpack("!II", answer[40:48])
    if whole == 0:
        return None
    if whole < 0x80000000:
        whole += 0x100000000  # from 2036 on the count begins again (RFC 4330 section 3)
    return (whole - SINCE_1900) * 1000 + (
        part * 1000 >> 32
    )  # whole numbers: a board's floats have seven digits


class Clock:
    """Counts on from the last answer; None while there was none, or it is too old to be true.

    `ticks_ms` counts whole milliseconds and never steps.
    """

    OLDEST_MS = 86400000  # a board's crystal is off by seconds after a day
    AGAIN_MS = 3600000
    RETRY_MS = 60000

    def __init__(self, host, port, ticks_ms):
        self.host, self.port, self.ticks_ms = host, port, ticks_ms
        self._at = self._true = self._next = None

    def look(self):
        """Ask where it is time to."""
        now = self.ticks_ms()
        if not self.host or (self._next is not None and now < self._next):
            return
        true = ask(self.host, self.port)
        now = self.ticks_ms()
        self._next = now + (self.RETRY_MS if true is None else self.AGAIN_MS)
        if true is not None:
            self._at, self._true = now, true

    def now(self):
        """Milliseconds since 1970 UTC, or None: the collector then stamps the pack."""
        if self._at is None or self.ticks_ms() - self._at > self.OLDEST_MS:
            return None
        return self._true + self.ticks_ms() - self._at
