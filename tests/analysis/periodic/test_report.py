"""`rushlight report`: its figures by hand, alarm load, the pages.

PPFD: Thimijan & Heins 1983, HortScience 18:818 (from memory): 54 lx of sunlight, 74 lx of cool white
fluorescent light for each µmol/(m²·s).
"""

from __future__ import annotations

import json
import math
import re
import threading
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import msgspec
import pytest

from rushlight.analysis.alarms.verdicts import Verdict, keep_verdict
from rushlight.analysis.commands.main import main
from rushlight.analysis.periodic.alarm_load import alarm_load
from rushlight.analysis.periodic.changes import changes_of, changes_words, old_water
from rushlight.analysis.periodic.figures import curve_points, lit, old_water_left, seen, spread
from rushlight.analysis.physics.plant_light import daily_light_mol, ppfd_umol
from rushlight.analysis.replay.beliefs import Sample
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import time_text
from rushlight.collector.store.log_entry import LogEntry

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
TOML = """
[tanks.porch]
title = "Tank on the porch"
volume_litres = 60
timezone = "UTC"
report_every_s = 300
[tanks.porch.livestock]
temperature_low_c = 20
temperature_high_c = 27
[tanks.porch.water]
carbonate_hardness_dkh = 4
[tanks.porch.light]
on = "10:00"
off = "18:00"
"""


def test_three_changes_of_a_fifth_leave_half() -> None:
    assert old_water_left([0.2, 0.2, 0.2]) == pytest.approx(0.512)
    assert old_water_left([]) == 1.0


def test_light_as_plants_use_it() -> None:
    assert ppfd_umol(5400, "sun") == pytest.approx(100)
    assert ppfd_umol(7400, "fluorescent") == pytest.approx(100)
    assert daily_light_mol(7400, 8, "fluorescent") == pytest.approx(2.88)  # 100 · 8 · 3600 / 1e6


def sample(minute: int, light: float | None = None, on: float = 0.0) -> Sample:
    said = {} if light is None else {"light": light}
    return Sample(
        start_ms=minute * MINUTE,
        time_ms=minute * MINUTE,
        seen=said,
        beliefs={"lamp_on": on, "lamp_level_lx": 5000.0},
        found=(),
    )


def test_spread_and_curves() -> None:
    rows = [sample(i, float(i)) for i in range(100)]
    assert spread(rows, seen("light")) == (100, 50.0, 5.0, 95.0)
    assert spread(rows, seen("ph")) is None
    points = curve_points(rows, seen("light"), 0, 200 * MINUTE, 4)
    assert points == [(0.125, 24.5), (0.375, 74.5), (0.625, None), (0.875, None)]


def test_hours_of_light_leave_half_a_day_out() -> None:
    days = 3 * 1440 + 300
    rows = [sample(i, 5000.0 if i % 1440 < 480 else 0.0, float(i % 1440 < 480)) for i in range(days)]
    found = lit(rows, lambda ms: ms // DAY)
    assert found is not None and (found.days, found.hours, found.lux) == (3, pytest.approx(8.0), 5000.0)
    assert lit([sample(i, 0.0) for i in range(1440)], lambda ms: ms // DAY) is None
    # on the first day the lamp was not known yet: that is no day without light
    learning = [msgspec.structs.replace(one, beliefs={"lamp_on": 0.0}) for one in rows[:1440]]
    found = lit([*learning, *rows[1440:]], lambda ms: ms // DAY)
    assert found is not None and (found.days, found.hours) == (2, pytest.approx(8.0))


def believed(minute: int, **said: float) -> Sample:
    at = minute * MINUTE
    return Sample(start_ms=at, time_ms=at + MINUTE, seen={}, beliefs=said, found=())


def test_changes_that_were_noted_and_seen() -> None:
    """Three of 20 % leave 51.2 % by hand, whether noted or seen by the water's temperature."""
    fifth = {"poured_in_share": 0.2, "poured_in_share_low": 0.1, "poured_in_share_high": 0.3}
    samples = [
        believed(1000, poured_in_c=-1.8, poured_in_ago_min=30.0, **fifth),
        believed(3000, poured_in_c=-1.7, poured_in_ago_min=20.0, **fifth),
        believed(5000, co2_mg_l=20.0),
    ]
    log = [
        LogEntry(tank="porch", time_ms=1060 * MINUTE, changed_share=0.2),  # of the first that was seen
        LogEntry(tank="porch", time_ms=9000 * MINUTE, changed_share=0.2),
    ]
    found = changes_of(samples, log)
    assert [(one.noted, one.share, one.step_c) for one in found] == [
        (True, 0.2, -1.8),
        (False, 0.2, -1.7),
        (True, 0.2, None),
    ]
    assert found[1].time_ms == 2980 * MINUTE
    left = old_water(found)
    assert left is not None and left[0] == pytest.approx(0.512)
    assert left[1] == pytest.approx(0.78 * 0.7 * 0.78) and left[2] == pytest.approx(0.82 * 0.9 * 0.82)
    words = changes_words(found)
    assert "3 water changes (2 noted, 1 only seen by its temperature): 51 %" in words
    assert "(43 to 61 %)" in words and "about 20 % (10 to 30 %)" in found[1].words()
    unknown = changes_of([believed(3000, poured_in_c=-1.7, poured_in_ago_min=20.0)], log)
    assert "less what 1 of unknown share took" in changes_words(unknown)
    (alone,) = changes_of([believed(3000, poured_in_c=-1.7, poured_in_ago_min=20.0)], [])
    assert "what share can't be said" in changes_words([alone]) and old_water([alone]) is None
    assert changes_words([]) == ""


def event(kind: str, at_ms: int, number: int, alarm: str = "light-missing", test: bool = False) -> Event:
    return Event(
        time=time_text(at_ms), tank="porch", alarm=alarm, event=kind, priority="low", summary="", detail="",  # type: ignore[arg-type]
        cautions=[], occurrence=f"porch/{alarm}/{number}", test=test,
    )  # fmt: skip


def test_alarm_load() -> None:
    rows = [
        event("raised", 0, 1), event("acknowledged", HOUR, 1),
        event("cleared", 2 * HOUR, 1),
        event("raised", 10 * HOUR, 2), event("raised", int(10.2 * HOUR), 3),
        event("raised", int(10.9 * HOUR), 4),
        event("cleared", 40 * HOUR, 2),
        event("raised", 5 * HOUR, 9, "co2-overdose", test=True),
    ]  # fmt: skip
    load = alarm_load(rows, 0, 2 * DAY)
    (row,) = load.rows
    assert (row.raised, row.answered, row.to_answer_s, row.chatters) == (4, 1, 3600, True)
    assert row.longest_s == pytest.approx(37.8 * 3600) and load.stale == ("light-missing",)
    assert load.a_day == 2.0
    assert (load.most_at_once, load.by_priority) == (1, (("low", 4),))
    flood = alarm_load([event("raised", i * MINUTE, i) for i in range(12)], 0, DAY)
    assert flood.most_at_once == 10  # of a dozen, a minute apart
    assert not alarm_load(rows[:4], 0, 2 * DAY).rows[0].chatters
    assert alarm_load(rows[-1:], 0, DAY).rows == ()
    assert (row.judged, row.false) == (0, 0)
    # raised before the span: no load of it, and stale as long as it is active in it
    old = [event("raised", 0, 7), event("raised", 0, 8, "water"), event("cleared", 3 * DAY, 8, "water")]
    assert alarm_load(old, 5 * DAY, 7 * DAY) == ((), 0.0, ("light-missing",), (), 0, ())
    assert alarm_load(old, 2 * DAY, 7 * DAY).stale == ("light-missing", "water")
    assert (
        alarm_load([*old, event("raised", DAY, 9), event("cleared", 2 * DAY, 9)], 5 * DAY, 7 * DAY).stale
        == ()
    )
    said = {
        f"porch/light-missing/{number}": Verdict(
            occurrence=f"porch/light-missing/{number}", verdict=verdict, was="a cloth"
        )
        for number, verdict in ((1, "right"), (2, "false"), (4, "other"), (99, "false"))
    }  # 3 has none, 99 was not raised in the span
    (row,) = alarm_load(rows, 0, 2 * DAY, said).rows  # type: ignore[arg-type]
    assert (row.judged, row.false) == (3, 2)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "rushlight.toml").write_text(TOML, "utf-8")
    monkeypatch.chdir(tmp_path)
    now = time.time_ns() // 1_000_000
    rows = []
    for i in range(288 * 10):
        at = now - i * 5 * MINUTE
        hour = at % DAY / HOUR
        rows += [
            Reading("porch", "temperature", at, 24 + 0.3 * math.sin(i / 40), 1, i),
            Reading("porch", "ph", at, 7.0 + 0.1 * math.sin(hour / 24 * 2 * math.pi), 1, i),
            Reading("porch", "light", at, 6000.0 + i % 5 if 10 <= hour < 18 else 0.0, 1, i),
        ]
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        store.add_readings(rows)
        for days in (1, 2, 3):
            noted = LogEntry(tank="porch", time_ms=now - days * DAY, changed_share=0.2)
            store.add_log(noted, "me", now)
        store.add_event(event("raised", now - 2 * DAY, 1))
    return tmp_path


def test_a_week_on_paper(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "porch", "--lamp", "fluorescent"]) == 0
    out = capsys.readouterr().out
    assert "water temperature: 24." in out and "51 % of the old water is left" in out
    light = re.search(r"Light: 8\.0 h a day at (\d+) lx, about (\d+) µmol", out)
    assert light is not None and float(light[1]) == pytest.approx(6000, rel=0.02)
    assert float(light[2]) == pytest.approx(6000 / 74, rel=0.02)
    assert "CO2, estimated" in out and "calibrate the pH electrode" in out and "1 alarms, 0.1 a day" in out
    page = (home / "porch-report.html").read_text("utf-8")
    assert page.count("<svg") >= 4 and "changed 20 % of the water" in page and "EEMUA 191" in page
    assert "By priority: 1 low" in page and "no flood" in page
    assert page.count(">W</text>") == 3 * page.count("<svg") and ">!</text>" in page
    assert page.count("<polygon") == 1  # of CO2, between which it was
    assert (home / "porch-report.pdf").read_bytes().startswith(b"%PDF-")


def test_a_change_that_nobody_noted_is_in_the_report(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """48 L at 24 °C and 12 L at 15 °C are 22.2 °C; then the heater brings it back."""
    (home / "rushlight.toml").write_text(TOML + "[tanks.porch.water]\ntap_temperature_c = 15\n", "utf-8")
    text = (home / "rushlight.toml").read_text("utf-8")
    text = text.replace("[tanks.porch.water]\ncarbonate_hardness_dkh = 4\n", "", 1)
    (home / "rushlight.toml").write_text(text, "utf-8")
    now = time.time_ns() // 1_000_000
    for change in (False, True):
        rows = []
        for i in range(288 * 10):
            passed_h = (now - i * 5 * MINUTE - (now - 4 * DAY)) / HOUR
            back = max(0.0, min(1.8, passed_h * 0.4 - 0.4))
            gone = 0.0 if passed_h < 0 or not change else min(1.0, passed_h * 6) * 1.8 - back
            wave = 24 + 0.1 * math.sin(i / 40) + 0.02 * (i % 3)
            rows.append(Reading("porch", "temperature", now - i * 5 * MINUTE, round(wave - gone, 2), 1, i))
        (home / "rushlight.db").unlink()
        with EmbeddedStore("rushlight.db") as store:
            store.add_readings(rows)
        assert main(["report", "porch"]) == 0
        out = capsys.readouterr().out
        assert ("1 water change (1 only seen by its temperature)" in out) is change
        page = (home / "porch-report.html").read_text("utf-8")
        assert ("seen, not noted: about" in page) is change
    share = re.search(r"seen, not noted: about (\d+) %", page)
    assert share is not None and int(share[1]) == pytest.approx(20, abs=2)


def test_a_report_in_the_keepers_units(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "rushlight.toml").write_text('[display]\nunits = "us"\n' + TOML, "utf-8")
    assert main(["report", "porch"]) == 0
    assert "water temperature: 75." in capsys.readouterr().out  # 24 °C is 75.2 °F
    page = (home / "porch-report.html").read_text("utf-8")
    assert "75.2 °F" in page and "°C" not in page
    axis = re.search(r"water temperature[^<]*?([\d.]+) to ([\d.]+) °F", page)
    assert axis is not None and 73 < float(axis[1]) < float(axis[2]) < 77


def test_a_report_by_notice(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over HTTP to a server of this test, by a `json://` target."""
    came: list[dict[str, str]] = []

    class Taker(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            came.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None: ...

    server = HTTPServer(("127.0.0.1", 0), Taker)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        assert main(["report", "porch", "--send"]) == 2
        assert "RUSHLIGHT_NOTICE_URLS" in capsys.readouterr().err and not came
        port = server.server_address[1]
        monkeypatch.setenv("RUSHLIGHT_NOTICE_URLS", f"json://127.0.0.1:{port}/k3y json://127.0.0.1:9/")
        assert main(["report", "porch", "--send"]) == 0
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    out = capsys.readouterr().out
    assert out.count(": taken") == 1 and out.count(": not taken") == 1 and "k3y" not in out
    (notice,) = came
    assert notice["title"] == "Tank on the porch: the last 7 days"
    assert "51 % of the old water is left" in notice["message"] and "next: " in notice["message"]


def test_an_alarm_that_is_older_than_the_week_is_named(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    now = time.time_ns() // 1_000_000
    with EmbeddedStore("rushlight.db") as store:
        store.add_event(event("cleared", now - 2 * DAY + HOUR, 1))
        store.add_event(event("raised", now - 9 * DAY, 77, "temperature-low"))
    assert main(["report", "porch"]) == 0
    assert "water too cold: active for more than a day" in capsys.readouterr().out


def test_what_people_said_of_an_alarm_is_in_the_report(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", "porch"]) == 0
    assert "not right" not in capsys.readouterr().out
    assert "rushlight verdict" in (home / "porch-report.html").read_text("utf-8")
    with EmbeddedStore("rushlight.db") as store:
        keep_verdict(store, Verdict(occurrence="porch/light-missing/1", verdict="false", was="a cloth"))
    assert main(["report", "porch"]) == 0
    assert "1 alarms, 0.1 a day; 1 of the 1 with a verdict not right" in capsys.readouterr().out
    page = (home / "porch-report.html").read_text("utf-8")
    assert "1 of 1" in page and "rushlight bundle" in page and "rushlight verdict" not in page


def test_a_report_that_can_t_be(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "porch", "--to", "2020-01-01"]) == 1
    assert "no readings" in capsys.readouterr().err
    for words in (["--to", "soon"], ["--to", "2999-01-01"]):
        assert main(["report", "porch", *words]) == 2
        assert "--to" in capsys.readouterr().err
