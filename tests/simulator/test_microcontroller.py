"""The sensor node's wire: CRC, lines, and a real pseudo-terminal between two ends."""

from __future__ import annotations

import json
import os
import select
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.readings import QUANTITIES
from rushlight.simulator.microcontroller import UNITS, Firmware, PtyLine, crc16


def _open(port: str) -> serial.Serial:
    return serial.Serial(port, 115200, timeout=2.0)


@pytest.fixture
def line() -> Iterator[PtyLine]:
    pty = PtyLine()
    yield pty
    pty.close()


def test_crc_check_value() -> None:
    """CRC-16/CCITT-FALSE over "123456789" is 0x29B1: the catalogued check value (from memory)."""
    assert crc16(b"123456789") == 0x29B1


def test_crc_of_nothing_is_its_start_value() -> None:
    """By definition: no bytes, start value 0xFFFF, no final XOR."""
    assert crc16(b"") == 0xFFFF


def test_units_are_those_of_the_collector() -> None:
    assert {name: info.unit for name, info in QUANTITIES.items()} == UNITS


def test_line_is_a_senml_pack_with_its_crc() -> None:
    """RFC 8428: base name, base time in seconds, records with n, u, v; a fault record has no v."""
    firmware = Firmware("porch")
    firmware.boot()
    firmware.line(0, [("light", 1.0)])
    whole = firmware.line(1_768_168_800_500, [("temperature", 23.0625), ("ph", None)])
    body, _, crc = whole.rstrip(b"\n").rpartition(b" *")
    assert whole.endswith(b"\n")
    assert crc == b"%04X" % crc16(body)
    assert json.loads(body) == [
        {"bn": "porch/", "bt": 1768168800.5, "seq": 1, "n": "temperature", "u": "Cel", "v": 23.0625},
        {"n": "ph", "u": "pH", "vs": "fault"},
    ]


def test_boot_begins_report_numbers_again() -> None:
    firmware = Firmware("porch")
    for _ in range(3):
        firmware.line(0, [("ph", 7.0)])
    assert firmware.boot().endswith(b"\r\n")
    assert b'"seq":0' in firmware.line(0, [("ph", 7.0)])


@pytest.mark.parametrize("values", [[], [("salinity", 1.0)]])
def test_report_that_the_wire_does_not_know_is_refused(values: list[tuple[str, float | None]]) -> None:
    with pytest.raises(ValueError, match=r"at least one|no quantity"):
        Firmware("porch").line(0, values)


@given(st.integers(0, 2**42), st.floats(-60, 130, allow_nan=False))
def test_time_and_value_survive_the_line(time_ms: int, value: float) -> None:
    record = json.loads(Firmware("porch").line(time_ms, [("temperature", value)]).rpartition(b" *")[0])[0]
    assert round(record["bt"] * 1000) == time_ms
    assert record["v"] == pytest.approx(value, rel=1e-9, abs=1e-12)


def test_slow_reader_gets_every_line_whole_and_in_order(line: PtyLine) -> None:
    """More than the kernel holds, written as fast as it goes, read in small gulps with pauses."""
    sent = [b"%06d %s\n" % (n, bytes(33 + (n + k) % 90 for k in range(n % 190))) for n in range(3000)]
    stop = threading.Event()

    def write() -> None:
        assert line.wait_for_reader(stop)
        for whole in sent:
            assert line.write(whole, stop)

    writer = threading.Thread(target=write)
    writer.start()
    got = bytearray()
    expected = sum(map(len, sent))
    with _open(line.port) as reader:
        while len(got) < expected:
            chunk = reader.read(3001)
            assert chunk, f"nothing more after {len(got)} of {expected} bytes"
            got += chunk
            if len(got) % 7 == 0:
                time.sleep(0.01)
        reader.timeout = 0.05
        assert reader.read(1) == b""
    writer.join()
    assert bytes(got) == b"".join(sent)


def test_control_bytes_pass_unchanged_and_nothing_is_echoed(line: PtyLine) -> None:
    """Every byte value goes through: no XON/XOFF, no interrupt character, no CR/LF translation, no echo."""
    stop = threading.Event()
    with _open(line.port) as reader:
        assert line.wait_for_reader(stop)
        reader.write(b"hello node\n")
        assert line.write(bytes(range(256)), stop)
        assert reader.read(256) == bytes(range(256))
        reader.timeout = 0.05
        assert reader.read(1) == b""


def test_port_is_raw_before_a_reader_sets_it_up(line: PtyLine) -> None:
    """A reader that only opens the path, as `cat` does, gets the bytes at once and unchanged too."""
    reader = os.open(line.port, os.O_RDWR | os.O_NOCTTY)
    try:
        assert line.write(b"a\r\x04b\x03\x13no line end", threading.Event())
        assert select.select([reader], [], [], 2)[0]
        assert os.read(reader, 100) == b"a\r\x04b\x03\x13no line end"
    finally:
        os.close(reader)


def test_writing_stops_when_asked_with_no_reader(line: PtyLine) -> None:
    stop = threading.Event()
    done = []
    writer = threading.Thread(target=lambda: done.append(line.write(b"x" * 200_000, stop)))
    writer.start()
    stop.set()
    writer.join(5)
    assert done == [False]


def test_waiting_for_a_reader_stops_when_asked(line: PtyLine) -> None:
    stop = threading.Event()
    stop.set()
    assert not line.wait_for_reader(stop)


def test_hanging_up_is_seen_by_the_reader(line: PtyLine) -> None:
    with _open(line.port) as reader:
        line.close()
        line.close()  # twice does no harm
        with pytest.raises((serial.SerialException, OSError)):
            reader.read(1)
    assert not Path(line.port).exists()
