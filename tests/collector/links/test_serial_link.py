"""collector/links/serial.py on real pseudo-terminals."""

from __future__ import annotations

import contextlib
import logging
import os
import pty
import socket
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.senml import decode_line
from rushlight.collector.links import make_link
from rushlight.collector.links.serial import SerialPortLink
from rushlight.collector.settings import SerialLink
from tests.collector.intake.senml_writer import add_crc
from tests.conftest import free_port, now_ms, wait_for

PACK = b'[{"bn":"hallway/","seq":%d,"n":"temperature","u":"Cel","v":24.06},{"n":"ph","u":"pH","v":6.82}]'


class Plug:
    """A pty under a name that stays the same, as /dev/serial/by-id does, pulled and put in again at will."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master = -1

    def put_in(self) -> None:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(name)

    def pull(self) -> None:
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
            self.path.unlink(missing_ok=True)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]


class Run:
    def __init__(self, link: SerialPortLink) -> None:
        self.link = link
        self.got: list[Delivery] = []

    def lines(self) -> list[bytes]:
        return [delivery.payload for delivery in self.got]

    def count(self, counter: str) -> int:
        return self.link.counters[counter]


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    plug = Plug(tmp_path / "port")
    yield plug
    plug.pull()


@pytest.fixture
def start(caplog: pytest.LogCaptureFixture) -> Iterator[Callable[[str], Run]]:
    caplog.set_level(logging.INFO, "rushlight.collector")
    running: list[SerialPortLink] = []

    def begin(port: str) -> Run:
        run = Run(SerialPortLink(SerialLink(port=port), now_ms, retry_s=(0.02, 0.1)))
        run.link.start(run.got.append)
        running.append(run.link)
        return run

    yield begin
    for link in running:
        link.stop()


@pytest.fixture
def open_run(plug: Plug, start: Callable[[str], Run]) -> Run:
    plug.put_in()
    run = start(str(plug.path))
    wait_for(lambda: run.count("opened"), "the port to open")
    return run


def test_lines_arrive_whole_and_in_order(plug: Plug, open_run: Run) -> None:
    before = now_ms()
    lines = [add_crc(PACK % n) for n in range(200)]
    text = b"".join(line + (b"\r\n" if n % 2 else b"\n") for n, line in enumerate(lines))
    for place in range(0, len(text), 37):  # torn anywhere by the reads
        plug.send(text[place : place + 37])
    wait_for(lambda: len(open_run.got) == 200, "200 lines")
    assert open_run.lines() == lines
    first = open_run.got[0]
    assert first.link == str(plug.path)
    assert first.topic is None
    assert before <= first.arrived_ms <= now_ms()
    open_run.link.acknowledge(open_run.got)


def test_first_fragment_banner_and_empty_lines(
    plug: Plug, open_run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    plug.send(b'"u":"pH","v":6.8}]\n')
    plug.send(b"\nboot v1, reset cause 4\r\n[I] joined, [x]\r\n\n" + PACK % 1 + b"\n")
    wait_for(lambda: open_run.got, "the pack")
    assert open_run.lines() == [PACK % 1]
    assert (open_run.count("torn"), open_run.count("text")) == (1, 2)
    said = [record.message for record in caplog.records if "no pack" in record.message]
    assert len(said) == 1
    assert "reset cause 4" in said[0]


def test_reset_in_the_middle_of_a_line(plug: Plug, open_run: Run) -> None:
    plug.send(PACK % 1 + b"\n" + (PACK % 2)[:50])
    plug.send(add_crc(PACK % 0) + b"\n" + PACK % 1 + b"\n")
    wait_for(lambda: len(open_run.got) == 3, "three lines")
    assert [decode_line(line).seq for line in open_run.lines()] == [1, 0, 1]


def test_wrong_baud(plug: Plug, open_run: Run, caplog: pytest.LogCaptureFixture) -> None:
    """What a UART gives at the wrong speed: bytes with high bits and zeros, few line ends."""
    noise = bytes((n * 73 + 128) % 256 for n in range(4000)).replace(b"[", b"\xe0")
    plug.send(b"x\n" + noise)
    wait_for(lambda: open_run.count("garbled") >= 2, "garbled bytes")
    said = [r.message for r in caplog.records if "baud" in r.message and r.levelno == logging.WARNING]
    assert len(said) == 1
    assert "115200" in said[0]
    plug.send(b"\n" + PACK % 1 + b"\n")
    wait_for(lambda: PACK % 1 in open_run.lines(), "the pack after the noise")


def test_rubbish_right_before_a_pack_does_not_cost_it(plug: Plug, open_run: Run) -> None:
    plug.send(b"x\n" + b"\x00\xfe\x80" * 200 + PACK % 3)
    wait_for(lambda: open_run.count("garbled"), "garbled bytes")
    plug.send(b"\n")
    wait_for(lambda: open_run.got, "the pack")
    assert decode_line(open_run.got[-1].payload).seq == 3


def test_endless_line(plug: Plug, open_run: Run) -> None:
    plug.send(b"x\n")
    for _ in range(40):
        plug.send(b"y" * 4096)
    wait_for(lambda: open_run.count("overlong"), "the overlong line")
    plug.send(b"\n" + PACK % 1 + b"\n")
    wait_for(lambda: open_run.got, "the pack")
    assert open_run.lines() == [PACK % 1]


def test_unplugged_and_plugged_in_again(plug: Plug, open_run: Run, caplog: pytest.LogCaptureFixture) -> None:
    for boot in range(3):
        plug.send(PACK % boot + b"\n" + b'[{"bn":"hallw')
        wait_for(lambda n=boot + 1: len(open_run.got) == n, "the pack")
        plug.pull()
        wait_for(lambda n=boot + 1: open_run.count("lost") == n, "the loss to be seen")
        plug.put_in()
        wait_for(lambda n=boot + 2: open_run.count("opened") == n, "the port to open again")
    plug.send(PACK % 9 + b"\n")
    wait_for(lambda: len(open_run.got) == 4, "the last pack")
    assert open_run.lines() == [PACK % n for n in (0, 1, 2, 9)]
    assert open_run.count("torn") == 3
    assert any("unplugged?" in record.message for record in caplog.records)
    assert any("again" in record.message for record in caplog.records)


def test_not_there_at_start(
    plug: Plug, start: Callable[[str], Run], caplog: pytest.LogCaptureFixture
) -> None:
    run = start(str(plug.path))
    wait_for(lambda: run.count("failed") >= 3, "attempts")
    said = [record.message for record in caplog.records if "can't be opened" in record.message]
    assert len(said) == 1
    assert "no such port" in said[0]
    plug.put_in()
    wait_for(lambda: run.count("opened"), "the port to open")
    plug.send(PACK % 1 + b"\n")
    wait_for(lambda: run.got, "the pack")


def test_port_that_another_program_has(plug: Plug, open_run: Run, start: Callable[[str], Run]) -> None:
    second = start(str(plug.path))
    wait_for(lambda: second.count("failed"), "the refusal")
    assert second.count("opened") == 0
    open_run.link.stop()
    wait_for(lambda: second.count("opened"), "the second to get the port")


def test_bad_url_is_said(start: Callable[[str], Run], caplog: pytest.LogCaptureFixture) -> None:
    run = start("nosuch://place")
    wait_for(lambda: run.count("failed"), "the refusal")
    assert any("nosuch" in record.message for record in caplog.records)


def test_other_pyserial_urls(start: Callable[[str], Run]) -> None:
    port = free_port()
    with socket.create_server(("127.0.0.1", port)) as server:
        server.settimeout(10)
        run = start(f"socket://127.0.0.1:{port}")
        connection, _ = server.accept()
        wait_for(lambda: run.count("opened"), "the port to open")  # pyserial drops what came before
        with connection:
            connection.sendall(PACK % 1 + b"\n")
            wait_for(lambda: run.got, "the pack")
        wait_for(lambda: run.count("lost"), "the loss to be seen")
        connection, _ = server.accept()
        wait_for(lambda: run.count("opened") == 2, "the port to open")
        with connection:
            connection.sendall(PACK % 2 + b"\n")
            wait_for(lambda: len(run.got) == 2, "the second pack")


def test_receiver_that_fails_does_not_end_the_link(plug: Plug, caplog: pytest.LogCaptureFixture) -> None:
    plug.put_in()
    link = make_link(SerialLink(port=str(plug.path)), now_ms)
    got: list[Delivery] = []

    def deliver(delivery: Delivery) -> None:
        got.append(delivery)
        raise RuntimeError("full")

    link.start(deliver)
    with contextlib.closing(contextlib.ExitStack()) as stack:
        stack.callback(link.stop)
        wait_for(lambda: link.counters["opened"], "the port to open")
        plug.send(PACK % 1 + b"\n" + PACK % 2 + b"\n")
        wait_for(lambda: len(got) == 2, "both lines")
