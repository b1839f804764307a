"""collector/log.py: one line a cause, the rest counted."""

from __future__ import annotations

import io
import logging
import re

import pytest

from rushlight.collector.log import ClearLog, log_to


def test_one_line_a_cause_and_period(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO, "t")
    now = [1_000_000]
    log = ClearLog(logging.getLogger("t"), lambda: now[0], every_ms=60_000)
    assert log.say("crc", "damaged")
    for _ in range(5):
        now[0] += 1000
        assert not log.say("crc", "damaged")
    assert log.say("json", "not JSON")
    now[0] += 60_000
    assert log.say("crc", "damaged")
    assert log.counts == {"crc": 7, "json": 1}
    assert log.over("crc", "lines are good again")
    assert not log.over("crc", "lines are good again")
    assert caplog.messages == [
        "damaged",
        "not JSON",
        "damaged (and 5 more of these since the last such line)",
        "lines are good again (happened 7 times)",
    ]


def test_clock_set_back_does_not_silence(caplog: pytest.LogCaptureFixture) -> None:
    now = [10_000_000]
    log = ClearLog(logging.getLogger("t"), lambda: now[0])
    log.say("a", "one")
    now[0] -= 5_000_000
    assert log.say("a", "two")


def test_causes_are_bounded() -> None:
    log = ClearLog(logging.getLogger("t.quiet"), lambda: 0)
    for n in range(5000):
        log.say(str(n), "x", logging.DEBUG)
    assert len(log.counts) == 1000


def test_flapping_stays_quiet(caplog: pytest.LogCaptureFixture) -> None:
    """A loose cable: lost and found each second. Two lines, then one a minute."""
    caplog.set_level(logging.INFO, "t")
    now = [0]
    log = ClearLog(logging.getLogger("t"), lambda: now[0], every_ms=60_000)
    for _ in range(59):
        log.say("lost", "lost")
        assert log.over("lost", "found")
        assert not log.over("lost", "found")
        now[0] += 1000
    assert caplog.messages == ["lost", "found"]
    now[0] += 1000
    log.say("lost", "lost")
    assert caplog.messages[2:] == ["lost (and 58 more of these since the last such line)"]


def test_the_end_of_a_long_outage_is_reported(caplog: pytest.LogCaptureFixture) -> None:
    """A full disk, tried again each second: its beginning and its end are one line each."""
    caplog.set_level(logging.INFO, "t")
    now = [0]
    log = ClearLog(logging.getLogger("t"), lambda: now[0], every_ms=60_000)
    for _ in range(30):
        log.say("store", "no room")
        now[0] += 1000
    assert log.over("store", "written again")
    assert caplog.messages == ["no room", "written again (happened 30 times)"]


def test_a_line_has_the_time_of_the_computer_to_the_second() -> None:
    """People read it: no milliseconds."""
    out = io.StringIO()
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    root.handlers.clear()
    try:
        log_to(out, logging.INFO)
        root.handlers[0].emit(logging.LogRecord("a", logging.INFO, "", 0, "hello", None, None))
    finally:
        root.handlers[:] = before
        root.setLevel(level)
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d INFO hello\n", out.getvalue())
