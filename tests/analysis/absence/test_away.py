"""`rushlight away`: the numbers behind the points by hand, the answer, the sitter's page.

Newton's law of cooling; evaporation and margins: common practice, no source.
"""

from __future__ import annotations

import math
import re
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from rushlight.analysis.absence import forecasts, supply
from rushlight.analysis.absence.sheet import Sitter, sitter_sheet
from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.commands.main import main
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.paper.document import Curve, Document, Paragraph
from rushlight.analysis.paper.html import html
from rushlight.analysis.paper.pdf import pdf
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.views.access.keys import Keys
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import load_settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import time_text
from rushlight.collector.store.service_lock import ServiceLock

MINUTE, DAY = 60_000, 86_400_000
TOML = """
[tanks.porch]
title = "Tank <on> the porch"
volume_litres = 60
timezone = "Europe/Helsinki"
[tanks.porch.livestock]
temperature_low_c = 20
temperature_high_c = 27
[tanks.porch.heater]
setpoint_c = 24
watts = 50
[tanks.porch.light]
on = "10:00"
off = "18:00"
[tanks.porch.co2]
source = "yeast"
"""


def test_a_heater_in_the_coldest_room() -> None:
    # 60 L · 4186 · 1.1 = 276 kJ/K over 14 h: 5.48 W/K, so 50 W lift it 9.1 °C
    c = 4186 * 60 * 1.1
    assert forecasts.heater_point(50, 24, 17.0, 14, c, True)[1] == "fine"  # type: ignore[index]
    assert forecasts.heater_point(50, 24, 17.0, 14, c, False)[1] == "look"  # type: ignore[index]
    assert forecasts.heater_point(50, 24, 15.5, 14, c, True)[1] == "look"  # type: ignore[index]
    cold = forecasts.heater_point(50, 24, 12.0, 14, c, True)
    assert cold is not None and cold.answer == "don't leave" and "9.1 °C above" in cold.words
    assert forecasts.heater_point(None, 24, 12.0, 14, c, True)[1] == "look"  # type: ignore[index]
    assert forecasts.heater_point(50, None, 12.0, 14, c, True) is None


def test_a_heater_by_what_it_was_seen_to_do() -> None:
    # 0.65 °C/h of 276 kJ/K are 50 W
    c = 4186 * 60 * 1.1
    seen = forecasts.heater_point(None, 24, 17.0, 14, c, True, 0.65)
    assert seen is not None and seen.answer == "fine" and seen.words.startswith("50 W")


def test_a_cooler_in_the_warmest_room() -> None:
    """Newton's law: 0.3 °C an hour against 14 h hold the water 4.2 °C below its room."""

    def said(room: float | None, **known: float | None) -> str:
        rest = {"setpoint_c": 25.0, "slows_c_per_h": 0.3, "copes_c": None} | known
        return forecasts.cooler_point(room, rest["setpoint_c"], 27, 14, True, *list(rest.values())[1:]).answer

    assert said(28.0) == "fine" and said(28.5) == "look" and said(31.5) == "don't leave"
    assert said(28.5, copes_c=28.6) == "fine" and said(28.7, copes_c=28.6) == "look"
    assert said(28.0, slows_c_per_h=None) == "look" and said(31.5, slows_c_per_h=None) == "don't leave"
    assert said(None) == "look" and said(29.5) == "look"
    assert said(29.5, setpoint_c=None) == "fine" and said(30.5, setpoint_c=None) == "look"
    usual = forecasts.cooler_point(28.0, 25.0, 27, 14, False, 0.3, None)
    assert usual.answer == "look" and "23.8 °C in a room of 28.0" in usual.words


def test_six_hours_without_power() -> None:
    # 14 + 10 · exp(-6/14) = 20.51
    found = forecasts.cut_point(24, 14, 14, 20, True)
    assert found.answer == "fine" and "20.5 °C" in found.words
    assert forecasts.cut_point(24, 10, 14, 20, True).answer == "look"  # 10 + 14 · 0.651 = 19.1
    usual = forecasts.cut_point(24, 14, 14, 20, False)  # by a usual tank it is not known of this one
    assert usual.answer == "look" and "not learnt yet" in usual.words


def test_what_drifts_until_the_return() -> None:
    edges = [(float(day), 600 + 1.5 * day) for day in range(6)]
    assert forecasts.lamp_point(edges, 3.0, 10, 14).answer == "look"  # 3 + 21
    assert forecasts.lamp_point(edges, 3.0, 10, 4).answer == "fine"  # 3 + 6
    assert forecasts.lamp_point(edges[:2], 3.0, 10, 4).answer == "look"
    falling = [(0.0, 5.0), (5.0, 4.0), (10.0, 3.0)]
    hardness, level = forecasts.water_points(falling, 3.0, 14, 60, None)
    assert hardness.answer == "don't leave" and "0.2 by the return" in hardness.words
    assert level.answer == "look" and "8.4 L" in level.words
    hardness, level = forecasts.water_points(falling, 3.0, 3, 60, 0.1)
    assert (hardness.answer, level.answer) == ("fine", "fine")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "rushlight.toml").write_text(TOML, "utf-8")
    monkeypatch.chdir(tmp_path)
    now = time.time_ns() // 1_000_000
    rows = [
        Reading("porch", name, now - i * 10 * MINUTE, value, 1, i)
        for i in range(144 * 4)
        for name, value in (("temperature", 24.0), ("room_temperature", 19.0), ("ph", 7.0))
    ]
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        store.add_readings(rows)
    return tmp_path


def away(*words: str) -> int:
    return main(["away", "porch", "--from", "2026-07-04", "--to", "2026-07-18", *words])


def test_what_forbids_leaving_is_said_and_mended(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert away() == 0
    out = capsys.readouterr().out
    assert "14 days away: DON'T LEAVE" in out
    assert "don't leave  alarm to the phone" in out and "not running" in out
    with EmbeddedStore("rushlight.db") as store:
        stamp = time_text(time.time_ns() // 1_000_000 - DAY)
        for kind in ("raised", "acknowledged"):
            store.add_event(
                Event(
                    time=stamp,
                    tank="porch",
                    event=kind,  # type: ignore[arg-type]
                    alarm="co2-overdose",
                    priority="high",
                    summary="TEST",
                    detail="",
                    cautions=[],
                    test=True,
                    until=stamp,
                    occurrence=f"porch/co2-overdose/{stamp}/test",
                )
            )
    assert away("--room-low", "35.6 F") == 0
    assert "at 2.0 °C in the room" in capsys.readouterr().out
    assert away("--room-low", "2") == 0
    out = capsys.readouterr().out
    assert "fine         alarm to the phone" in out
    assert "don't leave  heater" in out and "at 2.0 °C in the room" in out
    for text in (CAUTIONS["electrical"], CAUTIONS["gas"], CAUTIONS["animals"]):
        assert text in out


def store_again(home: Path, rows: list[Reading]) -> None:
    (home / "rushlight.db").unlink()
    with EmbeddedStore(home / "rushlight.db") as store:
        store.add_readings(rows)


def test_what_is_not_known_is_not_fine(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert away() == 0
    out = capsys.readouterr().out  # four days of the room's temperature
    assert "can't be said without the coldest room" in out and "the warmest room is not known" in out
    now = time.time_ns() // 1_000_000
    room = [Reading("porch", "room_temperature", now - i * 60 * MINUTE, 19.0, 1, i) for i in range(24 * 9)]
    fresh = Reading("porch", "temperature", now - MINUTE, 24.0, 1, 999)
    store_again(home, [*room, fresh])
    assert away() == 0
    out = capsys.readouterr().out
    assert "at 19.0 °C in the room" in out and "the water goes from 24.0" in out
    assert "no water temperature" not in out
    store_again(home, [*room, Reading("porch", "temperature", now - 9 * DAY, 24.0, 1, 999)])
    assert away() == 0
    assert "can't be said without water and room" in capsys.readouterr().out  # nine days old
    store_again(home, [*room, Reading("porch", "temperature", now - MINUTE, 24.0, 4, 999)])
    assert away() == 0
    assert "can't be said without water and room" in capsys.readouterr().out  # flagged as wrong
    store_again(home, room)
    assert away() == 0
    assert "don't leave  probes" in capsys.readouterr().out
    for option in ("--room-low", "--evaporates", "--co2-days"):
        assert away(option, "nan") == 2


def test_daylight_before_the_lamp_is_no_morning_of_it(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The lamp comes on at 10:00 each day; today only daylight was seen, from 6:00 on."""
    zone = ZoneInfo("Europe/Helsinki")
    today = datetime.now(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    rows = []
    for day in range(6):
        for step in range(24 * 6 if day else 8 * 6):
            at = today - timedelta(days=day) + timedelta(minutes=10 * step)
            lux = 6000.0 if day and 60 <= step < 108 else 50.0 if step >= 36 else 0.0
            rows.append(Reading("porch", "light", round(at.timestamp() * 1000), lux, 1, step))
    store_again(home, rows)
    assert away() == 0
    assert "it drifts +0.0 min a day" in capsys.readouterr().out


def test_dates_that_can_t_be_are_refused(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (("2026-07-04", "2026-07-04"), ("soon", "later"), ("2026-07-04", "2028-07-04")):
        assert main(["away", "porch", "--from", words[0], "--to", words[1]]) == 2
        assert "--to" in capsys.readouterr().err


def test_the_sitters_page_on_paper(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert away("--sheet", "sheet", "--call", "Ines & Jo, 0123 456", "--feed", "One pinch.") == 0
    assert "sheet.pdf: written" in capsys.readouterr().out
    page = (home / "sheet.html").read_text("utf-8")
    assert "Tank &lt;on&gt; the porch" in page and "Ines &amp; Jo" in page and "<on>" not in page
    assert "unplug at the wall" in page and "heater" in page and "vet" in page
    paper = (home / "sheet.pdf").read_bytes()
    assert paper.startswith(b"%PDF-") and len(paper) > 3000


def test_the_sitters_page_is_in_the_keepers_units(home: Path) -> None:
    assert away("--sheet", "sheet") == 0
    assert "20 to 27 °C" in (home / "sheet.html").read_text("utf-8")
    (home / "rushlight.toml").write_text('[display]\nunits = "us"\n' + TOML, "utf-8")
    assert away("--sheet", "sheet") == 0
    page = (home / "sheet.html").read_text("utf-8")
    assert "68 to 80.6 °F" in page and "°C" not in page  # NIST SP 811 (2008), B.8


def test_the_sitter_is_sent_to_the_breaker_before_anything_else() -> None:
    document = sitter_sheet("porch", parse_settings(TOML).tanks["porch"], Sitter("a", "b"))
    texts = [one.text for one in document.blocks if isinstance(one, Paragraph) and one.strong]
    (first,) = [text for text in texts if CAUTIONS["person-first"] in text]
    assert "stray current" in first


def test_a_tank_without_gas_has_no_gas_on_its_sheet() -> None:
    tank = parse_settings(TOML).tanks["porch"]
    with_gas = html(sitter_sheet("porch", tank, Sitter("a", "b")))
    tank.co2 = None
    without = html(sitter_sheet("porch", tank, Sitter("a", "b")))
    caution = "CO2 gathers low in small rooms"
    assert caution in CAUTIONS["gas"] and caution in with_gas and caution not in without


def test_paper_takes_any_letter_and_a_gap_in_a_curve() -> None:
    curve = Curve(
        "pH", "", [(0, 7.0), (0.3, 7.1), (0.5, None), (0.6, 6.9), (1, 7.2)], [(0, "Mo")], (6.5, 7.1)
    )
    made = Document("水槽 – Łódź", "x", (Paragraph("≥ 3 °C → 4"), curve))
    assert pdf(made).startswith(b"%PDF-")
    assert html(made).count("<polyline") == 2


def test_how_long_the_gas_lasts_by_fillings_and_by_its_decline() -> None:
    # filled 50, 30 and 8 days ago: the fillings lasted 20 and 22 days, so 13 are left of 21
    assert supply.lasted_days([50, 30, 8]) == (21, 8) and supply.lasted_days([8]) is None
    noted = supply.supply_point(None, [50, 30, 8], None, "yeast", 12)
    assert noted.answer == "fine" and "13 days by the log" in noted.words
    assert supply.supply_point(None, [50, 30, 8], None, "yeast", 14).answer == "look"
    # the shorter counts
    assert supply.supply_point(9, [50, 30, 8], None, "yeast", 12).answer == "look"
    # pH at rest 7.4, at its lowest 6.8 and each day 10 % less of the gas: half after ln 2 / 0.105 = 6.6 days
    lows = [7.4 - math.log10(1 + 3 * 0.9**day) for day in range(5)]
    shares = supply.supply_shares(lows, [7.4] * 5, True)
    assert shares == pytest.approx([3 * 0.9**day for day in range(5)])
    fall = supply.decline(shares)
    assert fall is not None and fall.share == pytest.approx(0.9**4)
    assert fall.a_day == pytest.approx(-0.10536, abs=1e-5)
    assert fall.likely_days == pytest.approx(math.log(2) / 0.10536 - 4, abs=0.01)
    seen = supply.supply_point(None, [], fall, "citric-acid", 5)
    assert seen.answer == "look" and "falls by 10 % a day: half in 3 days" in seen.words
    # the twin: as much scatter, and no decline
    level = supply.decline([3.0, 2.7, 3.1, 2.8, 3.0])
    assert level is not None and level.likely_days is None
    assert "no decline is seen" in supply.supply_point(None, [], level, "yeast", 5).words
    assert supply.decline(shares[:3]) is None
    assert "weigh it" in supply.supply_point(None, [], None, "cylinder", 5).words
    # never switched: by its level; 0.05 pH up a day is 11 % less
    always = supply.decline(supply.supply_shares([6.8, 6.85, 6.9, 6.95], [7.2] * 4, False))
    assert always is not None and math.exp(always.a_day) == pytest.approx(10**-0.05)


def test_fillings_of_the_log_are_used(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert away() == 0
    assert "how long it lasts is not known: say --co2-days; note each filling" in capsys.readouterr().out
    for at in ("2026-01-01", "2026-01-25"):
        assert main(["note", "porch", "--refilled", "--at", f"{at} 12:00"]) == 0
    capsys.readouterr()
    assert away() == 0
    assert "a filling lasts about 24" in capsys.readouterr().out


def test_gallons_and_a_link_for_the_sitter(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """14 days of 0.25 US gal (3.785 411 784 L each) are 13.25 L."""
    assert away("--evaporates", "0.25 gal") == 0
    assert "about 13.3 L of 60 L" in capsys.readouterr().out
    assert away("--evaporates", "500") == 2 and away("--sitter", "Ines") == 2
    settings = home / "rushlight.toml"
    settings.write_text('[status_page]\nurl = "https://tank.example.org"\n' + TOML, "utf-8")
    days = [f"{datetime.now() + timedelta(days=n):%Y-%m-%d}" for n in (1, 15)]
    words = ["--from", days[0], "--to", days[1], "--sheet", "sheet", "--sitter", "Ines"]
    assert main(["away", "porch", *words]) == 0
    out = capsys.readouterr().out
    link = re.search(r"https://tank\.example\.org/visit/\S+", out)
    assert link is not None and link[0] in (home / "sheet.html").read_text("utf-8")
    with EmbeddedStore("rushlight.db") as store:
        (key,) = Keys(store).links()
    assert (key.name, key.tanks) == ("Ines", ("porch",))


@pytest.mark.parametrize("targets", [2, 0])
def test_a_running_service_is_asked_what_it_has(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], targets: int
) -> None:
    """What this shell has set is another matter: the service answers out of its own notifier."""
    monkeypatch.setenv("RUSHLIGHT_NOTICE_URLS", "" if targets else "json://127.0.0.1:9/")
    monkeypatch.delenv("RUSHLIGHT_HEARTBEAT_URL", raising=False)
    assert away() == 0
    assert "no service runs to be asked" in capsys.readouterr().out
    settings = load_settings("rushlight.toml")
    clock = lambda: time.time_ns() // 1_000_000  # noqa: E731
    environment = {
        "RUSHLIGHT_NOTICE_URLS": " ".join(f"json://127.0.0.1:{9 + n}/" for n in range(targets)),
        "RUSHLIGHT_HEARTBEAT_URL": "http://127.0.0.1:9/" if targets else "",
    }
    notifier = Notifier(settings.notices, clock=clock, environment=environment, timezone="UTC")
    stop = threading.Event()

    def serve() -> None:
        with EmbeddedStore("rushlight.db") as store:
            analysis = LiveAnalysis(settings, notifier, clock)
            analysis.start(store, clock())
            while not stop.wait(0.05):
                analysis.poll(store, clock())
                with store.transaction():
                    analysis.keep(store, clock(), closing=False)
                analysis.kept(clock())

    lock = ServiceLock(home / "rushlight.db")
    assert lock.try_acquire()
    thread = threading.Thread(target=serve)
    thread.start()
    try:
        assert away() == 0
        if targets:
            notifier.heartbeat.answered_ms = clock() - 3 * MINUTE
            first = capsys.readouterr().out
            assert away() == 0
    finally:
        stop.set()
        thread.join()
        lock.release()
    out = capsys.readouterr().out
    if targets:
        assert "not answered yet" in first and "the service has 2 targets" in first
        assert "fine         heartbeat" in out and "answered 3 min ago" in out
    else:
        assert "don't leave  notices" in out and "the service has no target" in out
        assert "not set in the service" in out
