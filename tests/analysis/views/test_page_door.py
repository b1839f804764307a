"""Crowds at the page's door: real sockets, a real process with a small limit of file descriptors."""

from __future__ import annotations

import http.client
import json
import resource
import socket
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import psutil
import pytest

from rushlight.analysis.views.access.forwarded import networks_of
from rushlight.analysis.views.page import door
from tests.analysis.views.test_page import NOW, ROOT, Served, warm_tank
from tests.conftest import wait_for

LIMIT = 256
PAGE = """
import json, logging, resource, sys
from pathlib import Path
logging.basicConfig(level=logging.INFO)
resource.setrlimit(resource.RLIMIT_NOFILE, ({limit}, {limit}))
from rushlight.analysis.views.page import StatusPage
from rushlight.collector.settings import load_settings
settings = load_settings(sys.argv[1])
page = StatusPage(settings, settings.store_path(), lambda: {now}, lambda: True)
print(json.dumps(page.start() and page.url), flush=True)
held = []
for line in sys.stdin:
    try:
        while line == "all\\n":
            held.append(open("/dev/null"))
        if line == "free\\n":
            held.clear()
        files = [open("/dev/null") for _ in range({reserve})]  # as the watch does
        print(json.dumps("had"), flush=True)
        for file in files: file.close()
    except OSError as error:
        print(json.dumps(error.strerror), flush=True)
"""


class Crowded:
    """The page in a process of its own, and a crowd of sockets to it."""

    def __init__(self, folder: Path, limit: int = LIMIT) -> None:
        warm_tank(folder)
        text = '[status_page]\nport = 0\n[tanks.porch]\nvolume_litres = 60\ntimezone = "Asia/Tokyo"\n'
        text += "[tanks.porch.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 26\n"
        (folder / "rushlight.toml").write_text(text)
        code = PAGE.format(limit=limit, now=NOW, reserve=60)
        self.log = folder / "log"
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", textwrap.dedent(code), str(folder / "rushlight.toml")],
                cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True,
            )  # fmt: skip
        self.url = self._read()
        self.port = int(self.url.rstrip("/").rpartition(":")[2]) if self.url else 0
        self.stack = ExitStack()

    def _read(self) -> str:
        assert self.process.stdout is not None
        answer: str = json.loads(self.process.stdout.readline())
        return answer

    def say(self, word: str) -> str:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{word}\n")
        self.process.stdin.flush()
        return self._read()

    def crowd(self, number: int, sends: bytes = b"", addresses: int = 1) -> None:
        for i in range(number):
            # RFC 1122, 3.2.1.3: all of 127.0.0.0/8 is this machine, so it can play many
            made = socket.create_connection(
                ("127.0.0.1", self.port), timeout=10, source_address=(f"127.0.0.{i % addresses + 1}", 0)
            )
            one = self.stack.enter_context(made)
            if sends:
                one.sendall(sends)

    def health(self) -> int:
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)) as connection:
            connection.request("GET", "/health")
            return connection.getresponse().status

    def open_files(self) -> int:
        return psutil.Process(self.process.pid).num_fds()

    def close(self) -> None:
        self.stack.close()
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def crowded(tmp_path: Path) -> Iterator[Callable[..., Crowded]]:
    made: list[Crowded] = []

    def start(limit: int = LIMIT) -> Crowded:
        made.append(Crowded(tmp_path, limit))
        return made[-1]

    yield start
    for one in made:
        one.close()


@pytest.mark.parametrize("sends", [b"", b"GET /health HTTP/1.1\r\nHost: loc"])
@pytest.mark.parametrize(("addresses", "most"), [(1, door.MOST_FROM_ONE), (9, door.MOST)])
def test_a_crowd_that_asks_for_nothing_starves_nobody(
    crowded: Callable[..., Crowded], sends: bytes, addresses: int, most: int
) -> None:
    page = crowded()
    before = page.open_files()
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(4096, hard), hard))
    try:
        page.crowd(600, sends, addresses)
        assert page.health() == 200
        wait_for(lambda: page.open_files() <= before + most + 8, "most of them to be closed")
        assert page.say("reserve") == "had", "the watch still opens what it needs"
        assert page.health() == 200
    finally:
        page.stack.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert page.log.stat().st_size < 4000


def test_out_of_descriptors_it_pauses_and_comes_back(crowded: Callable[..., Crowded]) -> None:
    page = crowded()
    assert "open files" in page.say("all")  # the process itself has taken all
    began = time.monotonic()
    page.crowd(60)
    wait_for(lambda: time.monotonic() - began > 3, "three seconds of it")
    assert page.log.stat().st_size < 4000
    page.say("free")
    wait_for(lambda: page.health() == 200, "the page again")


def test_too_few_descriptors_and_there_is_no_page(crowded: Callable[..., Crowded]) -> None:
    page = crowded(door.RESERVE)
    assert not page.url
    assert "the watch needs 128 of them" in page.log.read_text()


def test_who_asks_too_slowly_has_to_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A byte now and then keeps no place; nor does a body that never ends."""
    monkeypatch.setattr(door, "ASK_S", 0.5)
    served = Served(warm_tank(tmp_path), lambda: True, lambda: NOW)
    whole = b"GET /health HTTP/1.1\r\nHost: localhost\r\n"
    try:
        for first in (b"", whole + b"\r\n", whole + b"Content-Length: 999999\r\n\r\n"):
            with socket.create_connection(("127.0.0.1", served.port), timeout=10) as one:
                one.sendall(first)
                one.settimeout(0.05)
                got, end = b"", time.monotonic() + 20
                while time.monotonic() < end:
                    try:
                        one.sendall(b"G")
                        part = one.recv(65536)
                    except TimeoutError:
                        continue
                    except OSError:
                        break
                    if not part:
                        break
                    got += part
                else:
                    pytest.fail("it was let in for ever")
                assert bool(got) == bool(first)
        assert served.get("/health")[0] == 200
    finally:
        served.page.stop()


def test_what_is_no_request_fills_no_log(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    served = Served(warm_tank(tmp_path), lambda: True, lambda: NOW)
    try:
        caplog.clear()
        for _ in range(20):
            with socket.create_connection(("127.0.0.1", served.port), timeout=10) as one:
                one.sendall(b"\x16\x03\x01 no HTTP\r\n\r\n")
                assert b"400" in one.recv(65536)
        assert len(caplog.records) <= 1
    finally:
        served.page.stop()


def test_a_proxy_of_the_settings_comes_for_many() -> None:
    class Caller:
        waits = False

    with socket.socket() as one:
        for proxies, most in (((), door.MOST_FROM_ONE), (networks_of(["192.0.2.0/24"]), door.MOST)):
            made = door.Door(1 << 20, proxies)
            for number in range(most):
                assert made.admit(one, "192.0.2.7"), number
                made.enter(Caller(), "192.0.2.7")  # type: ignore[arg-type]
            assert not made.admit(one, "192.0.2.7")


def test_the_figures_are_those_that_were_thought_about() -> None:
    # common practice, no source
    assert (door.MOST, door.MOST_FROM_ONE, door.RESERVE) == (48, 16, 128)
    assert (door.ASK_S, door.ANSWER_S, door.PICTURE_S) == (10, 15, 90)
    assert [door.places(limit) for limit in (64, 128, 130, 200, 256, 1024, 1 << 20)] == [
        0,
        0,
        1,
        36,
        48,
        48,
        48,
    ]
