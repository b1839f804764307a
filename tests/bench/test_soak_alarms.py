"""The soak's judge of alarms and notices must see what is missing, cleared too soon, or sent again."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from bench.soak.alarms import SURE_MS, audit_notices, cleared_too_soon, compared, spans, unseen
from bench.soak.clock import FastClock
from bench.soak.load import AlarmBoard
from bench.soak.sabotage import SABOTAGES
from bench.soak.targets import Received, Target
from bench.soak.world import HERE, ROOT, build_preload
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.records import Notice

T0 = 1_772_323_200_000  # 2026-03-01T00:00:00Z
MIN = 60_000


def event(kind: Any, minute: float, raised_at: float | None = None) -> Event:
    at = utc_text(T0 + round(minute * MIN))
    since = at if raised_at is None else utc_text(T0 + round(raised_at * MIN))
    return Event(
        time=at,
        tank="loft",
        alarm="temperature-high",
        event=kind,
        priority="high",
        summary="HIGH",
        detail="",
        cautions=[],
        occurrence=f"loft/temperature-high/{since}",
    )


def alarm(start: float, end: float) -> list[Event]:
    return [event("raised", start), event("cleared", end, start)]


def test_the_order_of_events_shows_what_a_restart_forgot() -> None:
    assert spans([*alarm(1, 5), *alarm(9, 12)]) == (
        [(T0 + 1 * MIN, T0 + 5 * MIN), (T0 + 9 * MIN, T0 + 12 * MIN)],
        [],
    )
    _, faults = spans([event("raised", 1), event("raised", 9)])  # the first was never cleared
    assert len(faults) == 1 and "raised while" in faults[0]
    _, faults = spans([event("cleared", 9, 1)])
    assert len(faults) == 1 and "did not stand" in faults[0]


def test_alarms_are_held_against_a_replay() -> None:
    assert compared([*alarm(2, 6), event("raised", 20)], [*alarm(1, 5), event("raised", 19)]) == []
    assert "not in the store" in compared([], alarm(1, 5))[0]
    assert "not in the replay" in compared(alarm(1, 5), [])[0]
    cut_in_two = compared([*alarm(1, 3), *alarm(4, 9)], alarm(1, 9))
    assert len(cut_in_two) == 1 and "2 alarms for one" in cut_in_two[0]


def test_warm_water_without_an_alarm_is_seen() -> None:
    warm = [(T0, T0 + 20 * MIN)]
    sure = SURE_MS // MIN
    assert unseen([event("raised", sure - 1)], warm, T0 + 60 * MIN) == (20 - sure, [])
    late = unseen([event("raised", sure + 1)], warm, T0 + 60 * MIN)
    assert len(late[1]) == 1
    assert unseen([], warm, T0) == (0, [])


def test_an_alarm_cleared_in_warm_water_is_seen_where_the_clock_was_right(tmp_path: Path) -> None:
    clock = FastClock(tmp_path / "clock", T0 - 60 * MIN)
    warm = [(T0, T0 + 20 * MIN)]
    assert len(cleared_too_soon(alarm(-5, 10), warm, clock)) == 1
    assert cleared_too_soon(alarm(-5, 21), warm, clock) == []
    clock.steps += [(T0 + 1 * MIN, 90_000), (T0 + 2 * MIN, 0)]
    assert cleared_too_soon(alarm(-5, 10), warm, clock) == []
    assert not clock.was_right(T0, T0 + 10 * MIN)
    assert clock.was_right(T0 + 2 * MIN, T0 + 10 * MIN)


def notice(**more: Any) -> Notice:
    fields: dict[str, Any] = dict.fromkeys(Notice._fields, 0) | {"priority": "high", "error": ""}
    occurrence = event("raised", 1).occurrence
    fields |= {
        "occurrence": occurrence,
        "transition": "raised",
        "target": "a",
        "title": "HIGH: water",
        "body": f"Do this.\n\nAlarm: {occurrence}",
        "delivered_ms": 5,
    }
    return Notice(**(fields | more))


def test_each_alarm_must_reach_each_target_and_not_twice() -> None:
    raised = [event("raised", 1)]
    one = Received(10.0, "HIGH: water", notice().body)
    rows = {raised[0].occurrence: [notice()]}
    assert audit_notices(raised, rows, {"a": [one]}, []) == (1, 1, 1, 0, [])
    again = [one, one._replace(at=20.0)]
    assert len(audit_notices(raised, rows, {"a": again}, [])[4]) == 1
    assert audit_notices(raised, rows, {"a": again}, [15.0]) == (1, 1, 2, 1, [])  # a kill in between
    (fault,) = audit_notices(raised, rows, {"a": []}, []).faults
    assert "which never got it" in fault
    (fault,) = audit_notices(raised, {}, {"a": [one]}, []).faults
    assert "no notice for target a" in fault
    waits = {raised[0].occurrence: [notice(delivered_ms=None)]}
    (fault,) = audit_notices(raised, waits, {"a": []}, []).faults
    assert "never reached a" in fault
    grouped = one._replace(message=f"Many\n\n- HIGH: water\n  Do this.\n  Alarm: {raised[0].occurrence}")
    assert audit_notices(raised, rows, {"a": [grouped]}, []).faults == []


def test_a_target_notes_what_it_reads_and_refuses_when_asked_to() -> None:
    target = Target()
    try:
        url = target.url.replace("json:", "http:")
        body = json.dumps({"title": "t", "message": "m"}).encode()
        urllib.request.urlopen(url, body, timeout=10).close()
        assert [(got.title, got.message) for got in target.got] == [("t", "m")]
        target.mood = "refusing"
        with pytest.raises(urllib.request.HTTPError, match="503"):
            urllib.request.urlopen(url, body, timeout=10)
        assert len(target.got) == 1
    finally:
        target.close()


def test_the_alarm_board_s_tank_raises_one_alarm_each_time_it_grows_warm() -> None:
    text = '[tanks.loft]\nvolume_litres = 54\ntimezone = "UTC"\nreport_every_s = 1800\n'
    text += "[tanks.loft.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 26\n"
    watch = TankWatch("loft", parse_settings(text, "rushlight.toml").tanks["loft"])
    board: Any = object.__new__(AlarmBoard)  # without its connection
    board.began_ms = T0
    events: list[Event] = []
    end_ms = T0 + 3 * 1000 * AlarmBoard.PERIOD_S
    for number, time_ms in enumerate(range(T0, end_ms, 6000)):
        celsius = round(board.celsius(time_ms) + number % 3 / 100, 2)
        events += watch.feed(Reading("loft", "temperature", time_ms, celsius, 1, number, 0))
        events += watch.feed(Reading("loft", "light", time_ms, float(number), 1, number, 0))
    warm = board.warm(T0, end_ms)
    assert len(warm) == 3
    asked, missing = unseen(events, warm, end_ms)
    assert asked > 30 and missing == []
    found, faults = spans(events)
    assert len(found) == 3 and faults == []


def test_the_collector_s_clock_runs_fast_and_can_be_stepped(tmp_path: Path) -> None:
    library = build_preload(HERE / "clockstep.c", tmp_path)
    clock = FastClock(tmp_path / "clock", T0, 1000)
    environment = os.environ | {"LD_PRELOAD": str(library), "CLOCKSTEP_FILE": str(tmp_path / "clock")}

    def shown() -> int:
        code = "import time; print(time.time_ns() // 1_000_000)"
        return int(subprocess.check_output([sys.executable, "-c", code], env=environment))

    for step in (0, 86_400, -3600):
        clock.step(step)
        before = clock.now_ms()
        assert before <= shown() - step * 1000 <= clock.now_ms()
    time.sleep(0.01)
    assert clock.now_ms() - T0 > 10_000


@pytest.mark.parametrize("name", sorted(SABOTAGES))
def test_each_sabotage_still_finds_what_it_breaks(name: str) -> None:
    """`bench.soak --sabotage` shows that the soak fails for it; here only that it can be done."""
    command = [sys.executable, "-m", "bench.soak.sabotage", name, "--help"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "run" in done.stdout
