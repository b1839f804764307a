"""Pictures with notices: real apprise, a real HTTP receiver, a real SMTP dialogue (RFC 5321)."""

from __future__ import annotations

import base64
import email
import email.policy
import json
import socketserver
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from bench.diagnosis.scenarios import build
from rushlight.analysis.explain.png_worker import PictureMaker
from rushlight.analysis.notices.channels import send_by_apprise, takes_pictures
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.replay.files import replay_files
from rushlight.collector.events import Event
from rushlight.collector.settings import NoticeSettings, Settings, load_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import import_csv
from tests.conftest import wait_for

NOW = 4_000_000_000_000
PNG = b"\x89PNG\r\n\x1a\n"  # ISO/IEC 15948, 5.2
# stands in for the program that draws: its last argument is the file
QUICK = [
    sys.executable,
    "-c",
    "import sys; open(sys.argv[-1], 'wb').write(b'\\x89PNG\\r\\n\\x1a\\n' + b'x' * 50)",
]
SLOW = [sys.executable, "-c", "import time; time.sleep(60)"]
BROKEN = [sys.executable, "-c", "raise SystemExit('no curve here')"]


class WebHandler(BaseHTTPRequestHandler):
    posts: list[dict[str, Any]]
    refuse_pictures = False

    def do_POST(self) -> None:
        post = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        refused = self.refuse_pictures and post.get("attachments")
        if not refused:
            self.posts.append(post)
        self.send_response(413 if refused else 200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:
        pass


@pytest.fixture
def web() -> Iterator[tuple[str, type[WebHandler]]]:
    handler = type("Handler", (WebHandler,), {"posts": []})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield f"json://127.0.0.1:{server.server_address[1]}/token", handler
    server.shutdown()
    server.server_close()
    thread.join()


class MailHandler(socketserver.StreamRequestHandler):
    mails: list[bytes]

    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        while line := self.rfile.readline():
            word = line[:4].upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                lines = []
                while (line := self.rfile.readline()) != b".\r\n":
                    lines.append(line.removeprefix(b"."))
                self.mails.append(b"".join(lines))
            self.wfile.write(b"221 bye\r\n" if word == b"QUIT" else b"250 ok\r\n")


@pytest.fixture
def mail() -> Iterator[tuple[str, type[MailHandler]]]:
    handler = type("Handler", (MailHandler,), {"mails": []})
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), handler) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        port = server.server_address[1]
        yield f"mailto://127.0.0.1:{port}/?from=tank@example.org&to=keeper@example.org&mode=insecure", handler
        server.shutdown()
        thread.join()


@pytest.fixture(scope="module")
def gas(tmp_path_factory: pytest.TempPathFactory) -> tuple[Settings, Event]:
    """A store with the readings of an overdose."""
    folder = tmp_path_factory.mktemp("gas")
    build(folder, "train", 77, 2, "co2-overdose")
    events: list[Event] = []
    replay_files(folder / "rushlight.toml", [folder / "readings.csv"], None, seen=events.append)
    settings = load_settings(folder / "rushlight.toml")
    with EmbeddedStore(settings.store_path(), synchronous="OFF") as store:
        import_csv(store, folder / "readings.csv")
    return settings, next(e for e in events if e.event == "raised" and e.alarm == "co2-overdose")


def settings_in(folder: Path) -> Settings:
    return Settings(path=str(folder / "rushlight.toml"))


def event_of(priority: str = "high") -> Event:
    return Event(
        time="2026-03-01T02:14:10Z", tank="alcove", alarm="co2-overdose", event="raised",
        priority=priority, summary=f"{priority.upper()}: CO2", detail="seen", cautions=[],
        occurrence="alcove/co2-overdose/2026-03-01T02:14:10Z",
    )  # type: ignore[arg-type]  # fmt: skip


def notifier(url: str, pictures: PictureMaker | None, wait_s: float) -> Notifier:
    return Notifier(
        NoticeSettings(picture_wait_s=wait_s),
        environment={"RUSHLIGHT_NOTICE_URLS": url},
        clock=lambda: NOW,
        pictures=pictures,
    )


def queue(notices: Notifier, store: EmbeddedStore, event: Event) -> None:
    with store.transaction():
        if store.add_event(event):
            notices.queue_for(event, store, NOW)


def send(url: str, pictures: PictureMaker, store: EmbeddedStore, event: Event, wait_s: float = 30) -> int:
    """Round after round, as the service, until it is taken."""
    notices = notifier(url, pictures, wait_s)
    queue(notices, store, event)
    return int(wait_for(lambda: notices.run_once(store, NOW), "the notice to be taken", wait_s + 20))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db") as opened:
        yield opened


def test_a_real_picture_comes_by_http_and_by_mail(
    gas: tuple[Settings, Event],
    web: tuple[str, type[WebHandler]],
    mail: tuple[str, type[MailHandler]],
) -> None:
    settings, event = gas
    maker = PictureMaker(settings, lambda: NOW)
    try:
        with EmbeddedStore(settings.store_path()) as store:
            store.add_event(event)
            # made beforehand, so that the test does not hang on how fast this machine is
            name = f"{event.occurrence} raised 0"
            maker.want(name, event.occurrence)
            made = maker.get(name, 90)
            assert made is not None and made.name.startswith("co2-overdose-")
            notices = Notifier(
                NoticeSettings(),
                environment={"RUSHLIGHT_NOTICE_URLS": f"{web[0]} {mail[0]}"},
                clock=lambda: NOW,
                pictures=maker,
            )
            with store.transaction():
                notices.queue_for(event, store, NOW)
            assert notices.run_once(store, NOW) == 2
            picture = made.read_bytes()
    finally:
        maker.close()
    assert picture[:8] == PNG and len(picture) > 20_000
    (attached,) = web[1].posts[0]["attachments"]
    assert base64.b64decode(attached["base64"]) == picture and attached["mimetype"] == "image/png"
    (sent,) = mail[1].mails
    message = email.message_from_bytes(sent, policy=email.policy.default)
    parts = {part.get_content_type(): part for part in message.walk()}
    assert parts["image/png"].get_content() == picture
    assert event.summary in str(message["Subject"])
    assert not made.exists()


def test_a_notice_waits_for_its_picture_but_not_for_ever(
    web: tuple[str, type[WebHandler]], store: EmbeddedStore, tmp_path: Path
) -> None:
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, program=SLOW)
    notices = notifier(web[0], maker, 0.5)
    began = time.monotonic()
    try:
        queue(notices, store, event_of("critical"))
        assert notices.run_once(store, NOW) == 0  # and has not stood there waiting: see the next test
        assert wait_for(lambda: notices.run_once(store, NOW), "the words alone") == 1
    finally:
        maker.close()
    assert time.monotonic() - began >= 0.5
    assert [post.get("attachments") for post in web[1].posts] == [[]]


def test_nothing_else_waits_with_it(
    web: tuple[str, type[WebHandler]], store: EmbeddedStore, tmp_path: Path
) -> None:
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, program=SLOW)
    notices = notifier(web[0], maker, 300)
    try:
        queue(notices, store, event_of())
        notices.queue_test(store, NOW)
        assert notices.run_once(store, NOW) == 1
        assert [post["title"].startswith("Test:") for post in web[1].posts] == [True]
        cleared = event_of()
        cleared.event, cleared.time = "cleared", "2026-03-01T03:14:10Z"
        queue(notices, store, cleared)
        assert notices.run_once(store, NOW) == 1
        assert len(web[1].posts) == 2 and store.pending_notices() == []
    finally:
        maker.close()


def test_a_picture_that_is_never_ready_is_given_up(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, timeout_s=0.3, program=SLOW)
    try:
        for name in ("a", "b"):
            maker.want(name, "alcove/co2-overdose/2026-03-01T02:14:10Z")
        assert maker.get("b", 20) is None and maker.get("a") is None
    finally:
        maker.close()
    assert [r.getMessage() for r in caplog.records] == [
        "an alarm's picture could not be made (not made within 0.3 s); notices go out without"
    ]


def test_a_new_alarm_does_not_queue_behind_pictures_that_nobody_waits_for(tmp_path: Path) -> None:
    begun, gate = tmp_path / "begun", tmp_path / "gate"
    program = [
        sys.executable,
        "-c",
        "import os, sys, time\n"
        f"open({str(begun)!r}, 'a').write(sys.argv[-3] + '\\n')\n"
        f"while not os.path.exists({str(gate)!r}): time.sleep(0.02)\n"
        "open(sys.argv[-1], 'wb').write(b'x')",
    ]
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, program=program)
    try:
        maker.want("0", "0")
        end = time.monotonic() + 20
        while not begun.exists() or not begun.read_text():
            assert time.monotonic() < end
            time.sleep(0.02)
        for number in range(1, 30):  # a storm: more than are kept waiting
            maker.want(str(number), str(number))
        gate.touch()
        assert maker.get("29", 30) is not None
    finally:
        maker.close()
    assert begun.read_text().split()[:2] == ["0", "29"]


def test_a_picture_that_fails_keeps_no_notice_back(
    web: tuple[str, type[WebHandler]], store: EmbeddedStore, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, program=BROKEN)
    try:
        assert send(web[0], maker, store, event_of()) == 1
    finally:
        maker.close()
    assert len(web[1].posts) == 1 and "no curve here" in caplog.text


def test_a_channel_that_refuses_the_picture_gets_the_words(
    web: tuple[str, type[WebHandler]], store: EmbeddedStore, tmp_path: Path
) -> None:
    web[1].refuse_pictures = True
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, program=QUICK)
    try:
        assert send(web[0], maker, store, event_of()) == 1
    finally:
        maker.close()
    (post,) = web[1].posts
    assert post["attachments"] == [] and "CO2" in post["title"]


def test_one_picture_serves_all_targets_and_a_reminder_has_its_own(tmp_path: Path) -> None:
    maker = PictureMaker(settings_in(tmp_path), lambda: NOW, program=QUICK)
    asked: list[str] = []

    def take(url: str, title: str, body: str, priority: str, picture: Path | None = None) -> bool:
        asked.append("" if picture is None else picture.name)
        return True

    urls = "json://127.0.0.1:9/a json://127.0.0.1:9/b"
    notices = Notifier(
        NoticeSettings(),
        environment={"RUSHLIGHT_NOTICE_URLS": urls},
        clock=lambda: NOW,
        sender=take,
        pictures=maker,
    )
    try:
        with EmbeddedStore(tmp_path / "rushlight.db") as store:
            event = event_of()
            with store.transaction():
                store.add_event(event)
                notices.queue_for(event, store, NOW)
            # ready beforehand, so that one round sends it
            for number, at_ms in ((0, NOW), (1, NOW + 16 * 60_000)):
                name = f"{event.occurrence} raised {number}"
                maker.want(name, event.occurrence)
                assert maker.get(name, 30) is not None
                notices.run_once(store, at_ms)
    finally:
        maker.close()
    assert len(asked) == 4 and "" not in asked
    assert asked[0] == asked[1] != asked[2] == asked[3]


def test_which_channels_take_pictures() -> None:
    assert takes_pictures("json://localhost/a") and takes_pictures("mailto://u:p@example.org")
    assert not takes_pictures("dbus://") and not takes_pictures("nonsense")


def test_words_alone_are_sent_as_before(web: tuple[str, type[WebHandler]]) -> None:
    assert send_by_apprise(web[0], "title", "body", "high")
    assert web[1].posts[0]["attachments"] == []


def test_settings_can_do_without(tmp_path: Path) -> None:
    path = tmp_path / "rushlight.toml"
    path.write_text("[notices]\npicture = false\n")
    assert load_settings(path).notices.picture is False
