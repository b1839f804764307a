"""A microcontroller on a serial port (any pyserial URL): lines in, through unplugging and rubbish."""

from __future__ import annotations

import errno
import logging
import threading
from collections.abc import Iterable
from typing import Any

import serial

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.reports import may_hold_pack
from rushlight.collector.links.base import Deliver
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import SerialLink

__all__ = ["SerialPortLink"]

_log = logging.getLogger(__name__)

_MAX_LINE = 66 * 1024  # the largest payload, and its CRC
_POLL_S = 0.2  # how soon `stop` is heard
_RUBBISH = 256  # so many bytes without a line's end that are no text: don't wait for 64 KiB of them
_RETRY_S = (0.5, 30.0)
# everything that can't be in a line of JSON: control bytes (framing errors read as 0) and no UTF-8 lead
_NO_TEXT = bytes(range(9)) + bytes(range(14, 32)) + bytes(range(127, 194)) + bytes(range(245, 256))


class SerialPortLink:
    """Reads lines from a port on its own thread and passes on those that may hold a pack.

    Parameters
    ----------
    settings : SerialLink
    clock : callable
        Milliseconds since 1970.
    retry_s : tuple of float
        First and longest pause before the port is opened again.
    """

    def __init__(self, settings: SerialLink, clock: Clock, retry_s: tuple[float, float] = _RETRY_S) -> None:
        self.name = settings.port
        self.counters = dict.fromkeys(
            ("delivered", "text", "garbled", "overlong", "torn", "opened", "lost", "failed"), 0
        )
        self._settings = settings
        self._clock = clock
        self._retry_s = retry_s
        self._say = ClearLog(_log, clock)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._deliver: Deliver | None = None

    def start(self, deliver: Deliver) -> None:
        """Begin reading; returns at once, also where the port is not there yet."""
        self._deliver = deliver
        self._stop.clear()
        self._thread = threading.Thread(target=self._run, name=f"serial {self.name}", daemon=True)
        self._thread.start()

    def acknowledge(self, deliveries: Iterable[Delivery]) -> None:
        """Nothing to do: a serial line can't send again."""

    def stop(self) -> None:
        """End the thread and close the port."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=10)

    # whoever watches the counters can rely on it that what is counted has been said
    def _run(self) -> None:
        pause = self._retry_s[0]
        while not self._stop.is_set():
            try:
                port = serial.serial_for_url(self.name, self._settings.baud, timeout=_POLL_S, exclusive=True)
            except Exception as error:  # each URL scheme is a module of its own and raises what it likes
                self._say.say("open", f"{self.name}: can't be opened: {_open_reason(error)}; trying on")
                self.counters["failed"] += 1
                self._stop.wait(pause)
                pause = min(self._retry_s[1], pause * 2)
                continue
            reopened = self._say.over("open", f"{self.name}: open again")
            if not self._say.over("lost", f"{self.name}: plugged in again, reading") and not reopened:
                _log.info("%s: open at %d baud", self.name, self._settings.baud)
            self.counters["opened"] += 1
            try:
                if self._read(port):
                    pause = self._retry_s[0]
            finally:
                port.close()
            self._stop.wait(pause)
            pause = min(self._retry_s[1], pause * 2)

    def _read(self, port: Any) -> bool:  # the stubs' SerialBase lacks in_waiting
        """Read until the port goes away or `stop`; True where any line of use came."""
        rest = bytearray()
        first = True  # the first line may have begun before the port was open
        before = self.counters["delivered"]
        while not self._stop.is_set():
            try:
                rest += port.read(port.in_waiting or 1)
            except Exception as error:  # SerialException, OSError; TypeError where closed while it reads
                reason = str(error).partition("\n")[0]
                self._say.say("lost", f"{self.name}: lost while reading ({reason}): unplugged? Trying on")
                self.counters["torn"] += bool(rest)
                self.counters["lost"] += 1
                break
            if b"\n" in rest:
                *lines, tail = rest.split(b"\n")
                for line in lines:
                    self._line(bytes(line), first)
                    first = False
                rest = bytearray(tail)
            if len(rest) > _MAX_LINE:
                self._drop(rest, "overlong", f"a line of more than {_MAX_LINE} bytes: wrong baud, or no LF?")
            elif len(rest) > _RUBBISH and _rubbish(rest):
                self._drop(rest, "garbled", self._garbled())
        return self.counters["delivered"] > before

    def _drop(self, rest: bytearray, cause: str, message: str) -> None:
        """Forget what has no end, but not a pack that has just begun."""
        self._say.say(cause, f"{self.name}: {message}")
        self.counters[cause] += 1
        begun = rest.rfind(b"[{")
        del rest[: begun if begun > 0 and len(rest) - begun < _MAX_LINE else len(rest)]

    def _line(self, line: bytes, first: bool) -> None:
        line = line.strip()
        if not line:
            return
        if may_hold_pack(line):
            self._pass_on(line)
        elif first:
            self.counters["torn"] += 1
        elif _rubbish(line):
            self._say.say("garbled", f"{self.name}: {self._garbled()}")
            self.counters["garbled"] += 1
        else:
            shown = safe_text(line.decode("utf-8", "replace"), 60)
            self._say.say(
                "text",
                f"{self.name}: skipped text that is no pack (boot banner, debug print?): '{shown}'",
                logging.INFO,
            )
            self.counters["text"] += 1

    def _garbled(self) -> str:
        baud = self._settings.baud
        return f"unreadable bytes: is the device's speed really {baud} baud? Set `baud` to the firmware's"

    def _pass_on(self, line: bytes) -> None:
        self.counters["delivered"] += 1
        assert self._deliver is not None
        try:
            self._deliver(Delivery(self.name, None, line, self._clock()))
        except Exception:
            # the thread must live on; the fault is in our own code and is said with its place
            _log.exception("%s: a line could not be taken in", self.name)


def _rubbish(data: bytes | bytearray) -> bool:
    """More than one byte in eight that can't be in text."""
    odd = len(data) - len(data.translate(None, _NO_TEXT))
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        odd += error.end < len(data)  # cut off inside a character at the end is no fault
    return odd * 8 > len(data)


def _open_reason(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == errno.ENOENT:
        return "there is no such port; not plugged in, or another name? See /dev/serial/by-id/"
    if number == errno.EACCES:
        return "no right to it; add this user to the port's group (often 'dialout') and log in again"
    if number == errno.EBUSY or "exclusively lock" in str(error):
        return "another program has it open; close that"
    return str(error).partition("\n")[0]
