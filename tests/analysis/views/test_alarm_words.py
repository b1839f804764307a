"""What nobody can see any more is neither called over nor well: state, sentence, the answer, its own page."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from rushlight.analysis.alarms.states import AlarmRecord
from rushlight.analysis.findings import Finding
from rushlight.analysis.views.alarm_words import end_words, reading_behind
from rushlight.analysis.views.fact_types import AlarmFacts, TankFacts
from rushlight.analysis.views.facts import collect_facts
from rushlight.analysis.views.page.front_words import answer_of, sentence
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.test_page import NOW, Served, plain, serve, warm_tank

__all__ = ["serve"]  # the fixture

MINUTE = 60_000
WARM = Finding(alarm="temperature-high", priority="high", value=27.6, unit="Cel")
DEAD = Finding(alarm="probe-fault", quantity="temperature", priority="high")
KEY = ("porch", "temperature-high", "")


def lived(settings: Settings, *hours: tuple[list[Finding], str], unjudged: str = "") -> TankWatch:
    """A book into which each list of findings was given for two hours, the last until now, and its store."""
    settings.tanks["porch"].livestock.temperature_high_c = 35.0  # nothing is past a limit by itself
    watch = TankWatch("porch", settings.tanks["porch"])
    events = []
    for part, (found, then) in enumerate(hours):
        for minute in range(120):
            at = NOW + ((part - len(hours)) * 120 + minute) * MINUTE
            events += watch.book.update(found, at, unjudged=lambda alarm: unjudged)
        if then == "out":
            events += watch.book.out_of_service(KEY, at, "Ola")
        elif then == "probe out":
            events += watch.book.out_of_service(("porch", "probe-fault", "temperature"), at, "Ola")
    with EmbeddedStore(settings.store_path()) as store:
        for event in events:
            store.add_event(event)
        store.save_state(ANALYSIS_STATE, "porch", watch.snapshot(), store.position())
    return watch


def facts_of(settings: Settings, now_ms: int = NOW) -> tuple[TankFacts, dict[str, AlarmFacts]]:
    with EmbeddedStore(settings.store_path()) as store:
        (tank,) = collect_facts(settings, store, now_ms).tanks
    return tank, {alarm.alarm: alarm for alarm in tank.alarms}


def test_over_is_said_of_what_was_seen_to_end(tmp_path: Path) -> None:
    settings = warm_tank(tmp_path)
    lived(settings, ([WARM], ""), ([], ""))
    tank, alarms = facts_of(settings)
    assert alarms["temperature-high"].state_text.startswith("over, nobody has said they saw it, raised ")
    assert alarms["temperature-high"].unseen == "" and sentence(tank) == "well"


def test_a_dead_probe_ends_no_alarm_with_over(tmp_path: Path, serve: Callable[..., Served]) -> None:
    settings = warm_tank(tmp_path)
    lived(settings, ([WARM], ""), ([DEAD], "probe out"))
    tank, alarms = facts_of(settings)
    words = alarms["temperature-high"].state_text
    assert re.match(
        r"not seen any more since 1 Mar, \d\d:\d\d, water temperature probe at fault; nobody has said", words
    )
    assert "over" not in words
    assert re.match(r"no alarm, but .* not seen any more since 1 Mar", sentence(tank))
    front = plain(serve(settings).get("/")[2])
    assert "not seen any more since" in front and " · well" not in front and "All is well" not in front


def test_what_the_settings_let_nobody_judge_is_said_so(tmp_path: Path) -> None:
    settings = warm_tank(tmp_path)
    lived(settings, ([WARM], ""), ([], ""), unjudged="the settings have no [heater]")
    tank, alarms = facts_of(settings)
    words = alarms["temperature-high"].state_text
    assert words.startswith("not judged any more since ") and "the settings have no [heater]; nobody" in words
    assert "not judged any more" in sentence(tank)


@pytest.mark.parametrize("then", ["", "out"])
def test_of_a_silent_device_no_alarm_is_seen(tmp_path: Path, then: str, serve: Callable[..., Served]) -> None:
    settings = warm_tank(tmp_path)
    lived(settings, ([WARM], then))
    _, alarms = facts_of(settings)
    assert "not seen" not in alarms["temperature-high"].state_text  # its twin: the readings are new
    later = NOW + 5 * 60 * MINUTE
    tank, alarms = facts_of(settings, later)
    assert re.search(
        r"; not seen any more since 1 Mar, \d\d:\d\d, no reading has come$", tank.alarms[0].state_text
    )
    if then:
        assert sentence(tank) == "no fresh numbers"
        return
    assert sentence(tank).startswith("1 alarm, not seen any more since 1 Mar, ")
    with EmbeddedStore(settings.store_path()) as store:
        said = answer_of(collect_facts(settings, store, later), settings, [], False)
    assert any(line.startswith("Not seen any more since 1 Mar, ") for line in said.lines)


def test_a_board_that_reports_seldom_is_given_its_time(tmp_path: Path) -> None:
    settings = warm_tank(tmp_path)
    settings.tanks["porch"].report_every_s = 3600
    lived(settings, ([WARM], ""))
    assert "not seen" not in facts_of(settings, NOW + 120 * MINUTE)[1]["temperature-high"].state_text
    assert "not seen" in facts_of(settings, NOW + 200 * MINUTE)[1]["temperature-high"].state_text


def test_the_reading_behind_an_alarm() -> None:
    latest = {
        q: Reading("porch", q, at, 1.0, Flag.PASS, at) for at, q in enumerate(("ph", "light", "temperature"))
    }

    def behind(alarm: str, quantity: str = "") -> str:
        found = reading_behind(AlarmRecord(alarm=alarm, quantity=quantity), latest)
        return "" if found is None else found.quantity

    assert behind("co2-overdose") == behind("stray-current-suspected") == "ph"
    assert behind("heater-stuck-on") == "temperature" and behind("light-dimming") == "light"
    assert behind("probe-fault", "light") == "light" and behind("power-interrupted") == "temperature"
    assert (
        behind("device-silent")
        == behind("setting-doubtful")
        == behind("probe-fault", "room_temperature")
        == ""
    )


def test_its_own_page_and_the_history_say_how_it_ended(tmp_path: Path, serve: Callable[..., Served]) -> None:
    settings = warm_tank(tmp_path)
    watch = lived(settings, ([WARM], ""), ([DEAD], ""))
    with EmbeddedStore(settings.store_path()) as store:
        occurrence = watch.book.records()[KEY].occurrence
        for event in watch.book.acknowledge(KEY, NOW, "Ola"):
            store.add_event(event)
        store.save_state(ANALYSIS_STATE, "porch", watch.snapshot(), store.position())
    served = serve(settings)
    for path in (f"/alarm/{occurrence}", "/history"):
        said = plain(served.get(path)[2])
        assert re.search(
            r"Not seen any more, water temperature probe at fault; it was raised for \d", said
        ), path


def test_how_an_alarm_ended() -> None:
    assert end_words("Over: water too warm in Porch, after 2 h") == "over"
    assert end_words("Put down to heater stuck on: water too warm in Porch", " since 09:00") == (
        "put down to heater stuck on since 09:00"
    )


def test_what_comes_and_goes_is_said_so_and_is_no_alarm_while_it_is_away(
    tmp_path: Path, serve: Callable[..., Served]
) -> None:
    settings = warm_tank(tmp_path)
    turns = [([WARM], ""), ([], "")] * 3
    lived(settings, *turns)
    tank, alarms = facts_of(settings)
    alarm = alarms["temperature-high"]
    assert alarm.away and not alarm.raised and not alarm.over and alarm.time_left == ""
    said = r"comes and goes: 3 times since \d+ \w+, \d\d:\d\d; not there now since \d+ \w+, \d\d:\d\d"
    assert re.search(f"^unacknowledged, raised .*; {said}$", alarm.state_text)
    assert sentence(tank).startswith("no alarm now, but ") and sentence(tank).endswith("comes and goes")
    with EmbeddedStore(settings.store_path()) as store:
        answer = answer_of(collect_facts(settings, store, NOW), settings, [], True)
    assert answer.title == "No alarm now, but not all stays away." and re.search(said, answer.lines[0])
    front = plain(serve(settings).get("/")[2])
    assert "comes and goes: 3 times since" in front and "All is well" not in front


def test_what_comes_and_goes_is_an_alarm_while_it_is_there(tmp_path: Path) -> None:
    settings = warm_tank(tmp_path)
    lived(settings, *[([WARM], ""), ([], "")] * 3, ([WARM], ""))
    tank, alarms = facts_of(settings)
    alarm = alarms["temperature-high"]
    assert alarm.raised and not alarm.away and sentence(tank) == "1 alarm"
    assert re.search(r"comes and goes: 4 times since .*; there now since ", alarm.state_text)
    with EmbeddedStore(settings.store_path()) as store:
        answer = answer_of(collect_facts(settings, store, NOW), settings, [], True)
    assert any(line.startswith("It comes and goes: 4 times") for line in answer.lines)
