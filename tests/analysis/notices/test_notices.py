"""Notices through the real apprise library, a real local HTTP server and the real store."""

from __future__ import annotations

import json
import logging
import re
import socket
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterator
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.alarms.book import AlarmBook
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.channels import backoff_ms, split_urls, target_name
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.quiet_hours import QuietHours
from rushlight.analysis.notices.thread import NoticeThread
from rushlight.analysis.notices.wording import Line, group_text
from rushlight.collector.events import AlarmKey, Event, Priority
from rushlight.collector.settings import NoticeSettings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import wait_for

T0 = 1772331250000  # 2026-03-01T02:14:10Z
MIN = 60_000
GAS: AlarmKey = ("alcove", "co2-overdose", "")


class Inbox:
    """A web server that takes what is sent to it, or refuses with a status."""

    def __init__(self) -> None:
        inbox = self
        self.posts: list[dict[str, Any]] = []
        self.gets: list[str] = []
        self.status = 200
        self.tries = 0

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                inbox.tries += 1
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if inbox.status == 200:
                    inbox.posts.append(json.loads(body))
                self._answer()

            def do_GET(self) -> None:
                inbox.gets.append(self.path)
                self._answer()

            def _answer(self) -> None:
                self.send_response(inbox.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_address[1]
        self.thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.02})
        self.thread.start()

    @property
    def url(self) -> str:
        return f"json://127.0.0.1:{self.port}/secret-token"

    @property
    def titles(self) -> list[str]:
        return [post["title"] for post in self.posts]

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture
def inbox() -> Iterator[Inbox]:
    box = Inbox()
    yield box
    box.close()


@pytest.fixture
def second() -> Iterator[Inbox]:
    box = Inbox()
    yield box
    box.close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[EmbeddedStore]:
    with EmbeddedStore(tmp_path / "rushlight.db") as opened:
        yield opened


def notifier(*boxes: Inbox, heartbeat: str = "", well: bool = True, **options: Any) -> Notifier:
    environment = {
        "RUSHLIGHT_NOTICE_URLS": " ".join(box.url for box in boxes),
        "RUSHLIGHT_HEARTBEAT_URL": heartbeat,
    }
    options.setdefault("settings", NoticeSettings())
    # a clock that stands: what a sending takes is no part of these tests
    return Notifier(environment=environment, clock=lambda: T0, is_well=lambda: well, **options)


def keep(notices: Notifier, store: EmbeddedStore, events: list[Event], now_ms: int) -> None:
    """What the service does: event and notice in one transaction."""
    with store.transaction():
        for event in events:
            assert store.add_event(event)
            notices.queue_for(event, store, now_ms)


def finding(alarm: str = "co2-overdose", priority: Priority = "high", left: float | None = 2500.0) -> Finding:
    return Finding(
        alarm=alarm, priority=priority, value=38.2, unit="mg/L", time_left_s=left,
        cause="the valve stays open", observations=["pH 6.41"], rule_out="a drop test below 20 mg/L",
    )  # fmt: skip


def test_a_raised_alarm_arrives_and_a_lock_screen_is_enough(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    assert notices.run_once(store, T0) == 1
    post = inbox.posts[0]
    assert post["title"] == "HIGH, about 40 min left: CO2 38 mg/L in Alcove and rising"
    assert len(post["title"]) <= 100
    assert post["message"].splitlines()[0].startswith("Get air into the water now")
    for part in ("alcove/co2-overdose/2026-03-01T02:14:10Z", "the valve stays open", "drop test below 20",
                 "unplug at the wall first", "drip loop", "IEC 61008-1", "local electrical codes",
                 "licensed electrician", "fish-health professional"):  # fmt: skip
        assert part in post["message"]
    assert notices.run_once(store, T0) == 0 and len(inbox.posts) == 1


def test_resent_until_acknowledged_with_what_is_left_of_the_time(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    notices.run_once(store, T0)
    assert notices.run_once(store, T0 + 15 * MIN - 1) == 0
    assert notices.run_once(store, T0 + 15 * MIN) == 1
    # a restart in between changes nothing: reminders are rows of the store
    notices = notifier(inbox)
    assert notices.run_once(store, T0 + 30 * MIN) == 1
    assert inbox.titles[1:] == [
        "HIGH, about 25 min left: CO2 38 mg/L in Alcove and rising",
        "HIGH, about 10 min left: CO2 38 mg/L in Alcove and rising",
    ]
    assert inbox.posts[1]["message"].startswith("Get air into the water now")
    assert "Not acknowledged for 15 min" in inbox.posts[1]["message"]
    assert [n.number for n in store.notices("alcove/co2-overdose/2026-03-01T02:14:10Z")] == [0, 1, 2, 3]
    keep(notices, store, book.acknowledge(GAS, T0 + 31 * MIN, "Ines"), T0 + 31 * MIN)
    assert notices.run_once(store, T0 + 300 * MIN) == 0
    assert store.pending_notices() == []


def test_medium_is_sent_once(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding(priority="medium")], T0), T0)
    assert notices.run_once(store, T0) == 1
    assert store.pending_notices() == []


def test_over_is_reported_and_reminders_end(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    notices.run_once(store, T0)
    book.update([], T0 + MIN)
    keep(notices, store, book.update([], T0 + 16 * MIN), T0 + 16 * MIN)
    notices.run_once(store, T0 + 16 * MIN)
    notices.run_once(store, T0 + 500 * MIN)
    assert inbox.titles[1:] == ["Over: CO2 overdose in Alcove, after 15 min"]
    assert inbox.posts[1]["message"].startswith("Nothing to do now")
    assert inbox.posts[1]["type"] == "success"


def test_stray_current_that_is_over_gives_no_all_clear(inbox: Inbox, store: EmbeddedStore) -> None:
    """What leaks may only be switched off: hands stay out until an electrician has looked."""
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding("stray-current-suspected", "critical")], T0), T0)
    notices.run_once(store, T0)
    book.update([], T0 + MIN)
    events = book.update([], T0 + 60 * MIN)
    keep(notices, store, events, T0 + 60 * MIN)
    notices.run_once(store, T0 + 60 * MIN)
    alone = inbox.posts[1]["message"]
    event = events[0]
    lines = [Line(event.occurrence, "cleared", event.summary, alone, "critical")]
    other = Line(
        "porch/light-missing/2026-03-01T02:14:10Z", "raised", "MEDIUM: lamp", "Close the CO2.", "medium"
    )
    for text in (alone, group_text(lines).body, group_text([*lines, other]).body):
        assert "Nothing to do" not in text
        assert "do not put a hand in the water" in text and "licensed electrician" in text


def test_a_higher_priority_after_acknowledging_asks_again(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    notices.run_once(store, T0)
    keep(notices, store, book.acknowledge(GAS, T0 + 1000, "Ines"), T0 + 1000)
    keep(notices, store, book.update([finding(priority="critical", left=0.0)], T0 + MIN), T0 + MIN)
    notices.run_once(store, T0 + MIN)
    notices.run_once(store, T0 + 16 * MIN)
    assert inbox.titles[1] == "CRITICAL (was high), no time left: CO2 38 mg/L in Alcove"
    assert inbox.titles[2] == "CRITICAL, no time left: CO2 38 mg/L in Alcove"
    # acknowledged and then less urgent: nobody is bothered
    keep(notices, store, book.acknowledge(GAS, T0 + 17 * MIN, "Ines"), T0 + 17 * MIN)
    book.update([finding()], T0 + 18 * MIN)
    lower = book.update([finding()], T0 + 60 * MIN)
    assert [event.event for event in lower] == ["priority-changed"]
    keep(notices, store, lower, T0 + 60 * MIN)
    assert notices.run_once(store, T0 + 500 * MIN) == 0


def test_shelving_ends_reminders(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    notices.run_once(store, T0)
    keep(notices, store, book.shelve(GAS, T0 + 60 * MIN, T0 + MIN, "Ines"), T0 + MIN)
    assert notices.run_once(store, T0 + 59 * MIN) == 0
    keep(notices, store, book.tick(T0 + 60 * MIN), T0 + 60 * MIN)
    assert notices.run_once(store, T0 + 60 * MIN) == 1


def test_a_failing_channel_hides_no_other_and_is_retried(
    inbox: Inbox, second: Inbox, store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    notices, book = notifier(inbox, second), AlarmBook("alcove", "Alcove")
    inbox.status = 503
    keep(notices, store, book.update([finding()], T0), T0)
    assert notices.run_once(store, T0) == 1
    assert len(second.posts) == 1 and inbox.posts == []
    failed = [n for n in store.pending_notices() if n.number == 0]
    assert [(n.attempts, n.next_attempt_ms) for n in failed] == [(1, T0 + 10_000)]
    assert notices.run_once(store, T0 + 9999) == 0
    assert notices.run_once(store, T0 + 10_000) == 0
    inbox.status = 200
    assert notices.run_once(store, T0 + 30_000) == 1
    assert len(inbox.posts) == 1 and len(second.posts) == 1
    # the URL and what is secret in it are nowhere
    name = target_name(inbox.url)
    assert f"notice target {name}: refused" in caplog.text
    assert "secret-token" not in caplog.text
    kept = b"".join(path.read_bytes() for path in store.path.parent.iterdir())
    assert b"secret-token" not in kept and name.encode() in kept


def test_a_failing_channel_is_tried_once_a_round(inbox: Inbox, store: EmbeddedStore) -> None:
    # each try may last until a time-out, and the other channels wait for it
    notices = notifier(inbox)
    inbox.status = 503
    for _ in range(5):
        notices.queue_test(store, T0)
    critical = [finding("stray-current-suspected", "critical"), finding(priority="critical")]
    keep(notices, store, AlarmBook("alcove").update(critical, T0), T0)
    for at in (0, 1000, 9000):
        notices.run_once(store, T0 + at)
    assert inbox.tries == 1
    inbox.status = 200
    notices.run_once(store, T0 + 10_000)
    assert len(inbox.posts) == 3


def test_a_channel_of_short_messages_gets_all_of_it_in_parts(
    inbox: Inbox, store: EmbeddedStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    from apprise.plugins.custom_json import NotifyJSON

    monkeypatch.setattr(NotifyJSON, "body_maxlen", 500)
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    assert notices.run_once(store, T0) == 1
    assert len(inbox.posts) > 3
    assert all(len(post["message"]) <= 500 for post in inbox.posts)
    whole = " ".join(post["message"] for post in inbox.posts)
    assert "licensed" in whole and "fish-health" in whole and "Get air into the water now" in whole


@pytest.mark.parametrize("url", ["json://127.0.0.1:1/secret-token", "nonsense://secret-token"])
def test_a_channel_that_is_not_there_or_not_known(
    url: str, inbox: Inbox, store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    environment = {"RUSHLIGHT_NOTICE_URLS": f"{url}, {inbox.url}"}
    notices = Notifier(NoticeSettings(), environment=environment, clock=lambda: T0)
    assert notices.queue_test(store, T0) == 2
    assert notices.run_once(store, T0) == 1
    assert inbox.titles == ["Test: Rushlight can reach you here"]
    assert "secret-token" not in caplog.text


def test_killed_between_sending_and_marking_it_is_sent_again(inbox: Inbox, tmp_path: Path) -> None:
    path = tmp_path / "rushlight.db"
    with EmbeddedStore(path) as store:
        notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
        keep(notices, store, book.update([finding()], T0), T0)
    # a process of its own that is killed with signal 9 right after the server has taken the notice
    code = f"""
        import os, signal
        from rushlight.analysis.notices.channels import send_by_apprise
        from rushlight.analysis.notices.notifier import Notifier
        from rushlight.collector.settings import NoticeSettings
        from rushlight.collector.store.embedded import EmbeddedStore
        def send(*what):
            assert send_by_apprise(*what)
            os.kill(os.getpid(), signal.SIGKILL)
        store = EmbeddedStore({str(path)!r})
        environment = {{"RUSHLIGHT_NOTICE_URLS": {inbox.url!r}}}
        Notifier(NoticeSettings(), environment=environment, sender=send).run_once(store, {T0})
    """
    root = Path(__file__).parents[3]
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], cwd=root, timeout=60, check=False)
    assert done.returncode == -9
    assert len(inbox.posts) == 1
    with EmbeddedStore(path) as store:
        assert notifier(inbox).run_once(store, T0 + 1000) == 1
        assert len(inbox.posts) == 2 and inbox.titles[0] == inbox.titles[1]
        assert notifier(inbox).run_once(store, T0 + 2000) == 0


def test_event_and_notice_are_kept_together_or_not_at_all(inbox: Inbox, store: EmbeddedStore) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    with pytest.raises(RuntimeError), store.transaction():
        event = book.update([finding()], T0)[0]
        store.add_event(event)
        notices.queue_for(event, store, T0)
        raise RuntimeError("the power goes")
    assert store.events() == [] and store.pending_notices() == []


def storm(notices: Notifier, store: EmbeddedStore, alarms: list[tuple[str, str, int]]) -> None:
    for tank, alarm, at in alarms:
        # the condition has stood for longer than any on-delay
        book = AlarmBook(tank, tank.title())
        events = book.update([finding(alarm)], at - 2 * MIN, at) or book.update([finding(alarm)], at)
        keep(notices, store, events, at)


def test_a_storm_comes_as_one_notice(inbox: Inbox, store: EmbeddedStore) -> None:
    notices = notifier(inbox)
    alarms = ["device-silent", "power-interrupted", "heater-not-heating", "light-missing"]
    tanks = ["alcove", "porch", "alcove", "porch"]
    storm(notices, store, [(tanks[n], alarm, T0 + n * 1000) for n, alarm in enumerate(alarms)])
    # the first two are due by now, the others are gathered until two minutes after the first
    assert notices.run_once(store, T0 + 3000) == 2
    assert notices.run_once(store, T0 + 2 * MIN - 1) == 0
    assert notices.run_once(store, T0 + 2 * MIN) == 2
    assert len(inbox.posts) == 3
    last = inbox.posts[2]
    assert (
        last["title"].startswith("HIGH, about 40 min left: 2 alarms in 2 tanks.")
        and len(last["title"]) <= 100
    )
    for part in (
        "alcove/heater-not-heating/",
        "porch/light-missing/",
        "one cause",
        "unplug at the wall first",
    ):
        assert part in last["message"]
    assert last["message"].count("unplug at the wall first") == 1


def test_in_a_storm_what_leaves_little_time_does_not_wait(inbox: Inbox, store: EmbeddedStore) -> None:
    notices = notifier(inbox)
    storm(notices, store, [("alcove", "device-silent", T0), ("porch", "device-silent", T0 + 10_000)])
    assert notices.run_once(store, T0 + 10_000) == 2
    for n, (priority, left) in enumerate([("high", 599.0), ("critical", None)]):
        at = T0 + 20_000 + n * 10_000
        events = AlarmBook(f"shed{n}").update([finding(priority=priority, left=left)], at)
        keep(notices, store, events, at)
        assert notices.run_once(store, at) == 1


def test_alarms_of_one_moment_come_as_one_notice_but_a_critical_one_alone(
    inbox: Inbox, store: EmbeddedStore
) -> None:
    notices, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    found = [finding(alarm) for alarm in ("device-silent", "co2-overdose", "power-interrupted")]
    found.append(finding("stray-current-suspected", "critical", None))
    events = book.update(found, T0)
    keep(notices, store, events, T0)
    assert notices.run_once(store, T0) == 4
    assert inbox.titles[0].startswith("CRITICAL: stray current? keep hands out of the water")
    assert inbox.posts[0]["message"].startswith("Keep your hands out of the water")
    assert inbox.titles[1].startswith("HIGH, about 40 min left: 3 alarms. First: ")
    assert len(inbox.posts) == 2
    assert all(event.occurrence in inbox.posts[1]["message"] for event in events[:3])
    # their reminders come together too; so does the news that they are over
    assert notices.run_once(store, T0 + 15 * MIN) == 4 and len(inbox.posts) == 4
    book.update([], T0 + 16 * MIN)
    over = book.update([], T0 + 60 * MIN)
    assert [event.event for event in over] == ["cleared"] * 4
    keep(notices, store, over, T0 + 60 * MIN)
    assert notices.run_once(store, T0 + 60 * MIN) == 4
    assert inbox.titles[-1] == "Over: 3 alarms in alcove"


def test_quiet_hours_wake_only_for_what_they_must(inbox: Inbox, store: EmbeddedStore) -> None:
    settings = NoticeSettings(quiet_from="22:00", quiet_to="07:30", quiet_timezone="Europe/Lisbon")
    notices, book = notifier(inbox, settings=settings), AlarmBook("alcove", "Alcove")
    found = [finding("light-missing", "high", None), finding("light-schedule-drift", "low", None)]
    keep(notices, store, book.update(found, T0), T0)
    assert notices.run_once(store, T0) == 0
    later = T0 + MIN
    critical = finding("power-interrupted", "critical")
    keep(notices, store, book.update([*found, finding(), critical], later), later)
    assert notices.run_once(store, later + 2 * MIN) == 2  # 02:17 in Lisbon: critical, and of wake_for
    assert sorted(title.split(",")[0] for title in inbox.titles) == ["CRITICAL", "HIGH"]
    # reminders of these go on in the night
    keep(notices, store, book.acknowledge(GAS, later, "Ines"), later)
    keep(notices, store, book.acknowledge(("alcove", "power-interrupted", ""), later, "Ines"), later)
    morning = 1772350200000  # 2026-03-01T07:30:00Z, and Lisbon is on UTC in winter
    assert notices.run_once(store, morning - 1) == 0
    assert notices.run_once(store, morning) == 2
    assert len(inbox.posts) == 3, "the night's rest comes as one"
    assert "2 alarms" in inbox.titles[2]


@pytest.mark.parametrize(
    ("at", "end"),
    [
        ("2026-03-01T02:14:10+00:00", "2026-03-01T07:30:00+00:00"),
        ("2026-03-01T23:00:00+00:00", "2026-03-02T07:30:00+00:00"),
        ("2026-03-01T07:30:00+00:00", None),
        ("2026-03-01T21:59:59+00:00", None),
        # clocks in Lisbon go forward on 29 March 2026, 01:00 UTC (IANA tz database): 07:30 is then 06:30 UTC
        ("2026-03-28T23:30:00+00:00", "2026-03-29T06:30:00+00:00"),
    ],
)
def test_end_of_quiet_hours(at: str, end: str | None) -> None:
    quiet = QuietHours(NoticeSettings(quiet_from="22:00", quiet_to="07:30"), "Europe/Lisbon")
    at_ms = round(datetime.fromisoformat(at).timestamp() * 1000)
    expected = 0 if end is None else round(datetime.fromisoformat(end).timestamp() * 1000)
    assert quiet.end_ms("light-dimming", "low", at_ms) == expected
    assert quiet.end_ms("co2-overdose", "high", at_ms) == 0
    assert quiet.end_ms("light-dimming", "critical", at_ms) == 0
    assert QuietHours(NoticeSettings(), "UTC").end_ms("light-dimming", "low", at_ms) == 0


def once(notices: Notifier, store: EmbeddedStore, now_ms: int) -> None:
    """A round, and the answer of the heartbeat's address."""
    notices.run_once(store, now_ms)
    assert notices.heartbeat.wait(20)


def test_heartbeat_stops_when_unwell(inbox: Inbox, store: EmbeddedStore) -> None:
    well = [True]
    environment = {"RUSHLIGHT_HEARTBEAT_URL": f"http://127.0.0.1:{inbox.port}/beat"}
    notices = Notifier(NoticeSettings(), environment=environment, clock=lambda: T0, is_well=lambda: well[0])
    for minute in range(11):
        once(notices, store, T0 + minute * MIN)
    assert inbox.gets == ["/beat"] * 3  # every 5 minutes
    well[0] = False
    once(notices, store, T0 + 60 * MIN)
    assert len(inbox.gets) == 3
    well[0] = True
    once(notices, store, T0 + 61 * MIN)
    assert len(inbox.gets) == 4
    once(notices, store, T0 - 24 * 60 * MIN)  # the clock was put back
    assert len(inbox.gets) == 5


def test_heartbeat_stops_while_no_notice_gets_out(inbox: Inbox, second: Inbox, store: EmbeddedStore) -> None:
    notices = notifier(inbox, heartbeat=f"http://127.0.0.1:{second.port}/beat")
    book = AlarmBook("alcove", "Alcove")
    once(notices, store, T0)
    inbox.status = 500
    keep(notices, store, book.update([finding()], T0), T0)
    for at in (0, 10_000, 30_000, 70_000, 6 * MIN):
        once(notices, store, T0 + at)
    assert len(second.gets) == 1
    inbox.status = 200
    once(notices, store, T0 + 10 * MIN)
    assert len(inbox.posts) == 1 and len(second.gets) == 2


def test_heartbeat_that_fails_is_retried_and_not_reported_in_full(
    inbox: Inbox, store: EmbeddedStore, caplog: pytest.LogCaptureFixture
) -> None:
    notices = notifier(heartbeat=f"http://127.0.0.1:{inbox.port}/secret-token")
    inbox.status = 500
    once(notices, store, T0)
    once(notices, store, T0 + MIN)
    assert len(inbox.gets) == 2
    assert caplog.text.count("heartbeat failed") == 1 and "secret-token" not in caplog.text
    once(notifier(heartbeat="file:///secret-token"), store, T0)
    assert "RUSHLIGHT_HEARTBEAT_URL is not an http(s) URL" in caplog.text
    assert "secret-token" not in caplog.text


def test_an_address_that_hangs_delays_no_notice(
    inbox: Inbox, store: EmbeddedStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "rushlight.analysis.notices.heartbeat._HEARTBEAT_TIMEOUT_S", 60
    )  # longer than is waited below
    with socket.create_server(("127.0.0.1", 0)) as deaf:  # takes connections and never answers
        deaf.settimeout(20)
        notices = notifier(inbox, heartbeat=f"http://127.0.0.1:{deaf.getsockname()[1]}/beat")
        thread = NoticeThread(notices, tmp_path / "rushlight.db", lambda: T0)
        thread.start()
        asked, _ = deaf.accept()
        with asked:
            keep(notices, store, AlarmBook("alcove", "Alcove").update([finding()], T0), T0)
            wait_for(lambda: inbox.posts, "the notice")
            assert not notices.heartbeat.wait(0)  # still hangs
            thread.stop()
        assert notices.heartbeat.wait(20)
        deaf.settimeout(0)
        with pytest.raises(BlockingIOError):
            deaf.accept()  # and was asked once only


def test_a_target_that_left_the_settings_hands_over(
    inbox: Inbox, second: Inbox, store: EmbeddedStore
) -> None:
    inbox.status = 500
    old, book = notifier(inbox), AlarmBook("alcove", "Alcove")
    keep(old, store, book.update([finding()], T0), T0)
    old.run_once(store, T0)
    new = notifier(second)
    new.run_once(store, T0 + MIN)
    new.run_once(store, T0 + MIN)
    assert len(second.posts) == 1


def test_no_target_is_no_fault(store: EmbeddedStore) -> None:
    notices, book = notifier(), AlarmBook("alcove", "Alcove")
    keep(notices, store, book.update([finding()], T0), T0)
    assert notices.targets == [] and notices.queue_test(store, T0) == 0
    assert notices.run_once(store, T0) == 0


def test_backoff_doubles_to_a_ceiling_by_priority() -> None:
    assert [backoff_ms(n, "low") // 1000 for n in range(1, 9)] == [10, 20, 40, 80, 160, 320, 640, 900]
    assert backoff_ms(99, "critical") == 60_000 and backoff_ms(99, "high") == 120_000
    assert backoff_ms(10**6, "medium") == 900_000


def test_urls_of_the_environment() -> None:
    assert split_urls("") == []
    assert split_urls(" json://a/b,c \n tgram://d ,mailto://e,json://a/b,c") == [
        "json://a/b,c", "tgram://d", "mailto://e",
    ]  # fmt: skip
    assert re.fullmatch("[0-9a-f]{8}", target_name("json://a/b"))
