"""The sensor node's side of the serial wire: SenML packs, CRC, report numbers, a real pseudo-terminal.

The reader opens the pseudo-terminal's slave end as it would open `/dev/ttyUSB0`; the kernel's line
discipline, its buffers and their limits are the real ones.
"""

from __future__ import annotations

import binascii
import fcntl
import os
import select
import struct
import termios
import threading
import time
import tty
from collections.abc import Iterable

__all__ = ["UNITS", "Firmware", "PtyLine", "crc16"]

# SenML unit names (RFC 8428, RFC 8798), as in the contract's section 1
UNITS = {
    "temperature": "Cel",
    "room_temperature": "Cel",
    "ph": "pH",
    "ph_probe": "mV",
    "light": "lx",
    "heater_power": "W",
    "source_temperature": "Cel",
    "source_ph": "pH",
}


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF, not reflected, no final XOR."""
    return binascii.crc_hqx(data, 0xFFFF)


class Firmware:
    """What the node's program writes: a banner at boot, then one line a report.

    Parameters
    ----------
    tank : str
        The base name is `tank/`.
    """

    def __init__(self, tank: str) -> None:
        self._tank = tank
        self._seq = 0

    def boot(self) -> bytes:
        """Start again: report numbers from 0. Returns the banner, which is no pack."""
        self._seq = 0
        return f"sensor node for {self._tank}, 115200 8N1, reset: power-on\r\n".encode()

    def line(self, time_ms: int, values: Iterable[tuple[str, float | None]]) -> bytes:
        """One report as a line ending in LF.

        Parameters
        ----------
        time_ms : int
            UTC, milliseconds; goes out as base time in seconds.
        values : iterable of (quantity, value)
            At least one; a value of None goes out as a record with `"vs":"fault"`.

        Raises
        ------
        ValueError
            No values, or a quantity that is not in `UNITS`.
        """
        records = []
        for quantity, value in values:
            unit = UNITS.get(quantity)
            if unit is None:
                raise ValueError(f"{quantity!r} is no quantity of the wire; known: {', '.join(UNITS)}")
            said = f'"v":{value:.10g}' if value is not None else '"vs":"fault"'
            records.append(f'{{"n":"{quantity}","u":"{unit}",{said}}}')
        if not records:
            raise ValueError("a report needs at least one value")
        whole, rest = divmod(time_ms, 1000)
        stamp = f"{whole}.{rest:03d}" if rest else f"{whole}"
        head = f'{{"bn":"{self._tank}/","bt":{stamp},"seq":{self._seq},'
        self._seq += 1
        body = f"[{head}{','.join(records)[1:]}]".encode()
        return b"%s *%04X\n" % (body, crc16(body))


class PtyLine:
    """The master end of a pseudo-terminal, written without ever tearing or losing a line.

    Attributes
    ----------
    port : str
        Path of the slave end, for a reader to open.
    """

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        # raw: no echo, no CR/LF translation, no control characters. Our own open slave keeps the terminal
        # and its settings alive while no reader is there.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        # packet mode: the master is notified when a reader flushes its input
        fcntl.ioctl(self._master, termios.TIOCPKT, struct.pack("i", 1))
        self.port: str = os.ttyname(self._slave)
        self._closed = False

    def wait_for_reader(self, stop: threading.Event) -> bool:
        """Wait until a reader has opened the port; False if `stop` was set first.

        pyserial flushes the input when it has set up a port, so what was written before that is lost, as on a
        real port. The flush shows that the reader is ready.
        """
        while not stop.is_set():
            if self._hear(0.1):
                return True
        return False

    def write(self, data: bytes, stop: threading.Event) -> bool:
        """Write all of `data`, as slowly as the reader reads; False if `stop` was set first."""
        rest = memoryview(data)
        while rest:
            if stop.is_set():
                return False
            try:
                rest = rest[os.write(self._master, rest) :]
            except BlockingIOError:
                # a full pseudo-terminal may still poll as writable: the pause keeps this from spinning
                select.select([], [self._master], [], 0.1)
                time.sleep(0.002)
        return True

    def wait_until_read(self, stop: threading.Event) -> bool:
        """Wait until the reader has taken everything; False if `stop` was set first."""
        empty = 0
        while not stop.is_set():
            waiting = fcntl.ioctl(self._slave, termios.FIONREAD, b"\0\0\0\0")
            # the count misses what the kernel is just moving between its two buffers: ask again
            empty = empty + 1 if struct.unpack("i", waiting)[0] == 0 else 0
            if empty == 3:
                return True
            time.sleep(0.02)
        return False

    def _hear(self, timeout_s: float) -> bool:
        """Whether the reader has just flushed its input. What it sends is read and dropped."""
        if not select.select([self._master], [], [], timeout_s)[0]:
            return False
        try:
            heard = os.read(self._master, 1024)
        except BlockingIOError:
            return False
        return bool(heard) and bool(heard[0] & termios.TIOCPKT_FLUSHREAD)

    def close(self) -> None:
        """Hang up: a reader that still has the port open gets an error, as when a plug is pulled."""
        if not self._closed:
            self._closed = True
            os.close(self._master)
            os.close(self._slave)
