"""What is usual at this hour, the first sentence of the page, and the figures of the curves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.views.fact_types import (
    AlarmFacts,
    Facts,
    FailureFacts,
    NoticeFacts,
    ReadingFacts,
    TankFacts,
)
from rushlight.analysis.views.facts import collect_facts
from rushlight.analysis.views.page.front_words import answer_of, day_and_time, sentence
from rushlight.analysis.views.page.history import past_alarms
from rushlight.analysis.views.page.plots import SPANS, plot_of
from rushlight.analysis.views.usual_day import LEAST_DAYS, usual_day
from rushlight.analysis.watch.saved import watch_of
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.page_world import DAY_MS, SETTINGS, values, world

NOW = 1_772_368_200_000  # 2026-03-01T12:30Z, 13:30 in Warsaw: lamp and gas are on
HOUR = 3_600_000


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    return world(tmp_path_factory.mktemp("quiet"), NOW, days=6)


def test_what_is_usual_now_is_said_of_each_number(quiet: Settings, tmp_path: Path) -> None:
    with EmbeddedStore(quiet.store_path(), read_only=True) as store:
        (alcove, stairs) = collect_facts(quiet, store, NOW).tanks
    said = {reading.quantity: (reading.trend, reading.usual) for reading in alcove.readings}
    assert said["temperature"][1].startswith("usual for now (") and said["ph"][1].startswith(
        "usual for now ("
    )
    assert said["ph"][0].startswith("falling, ")  # the gas has been on for three hours
    assert said["light"] == ("", "lamp due to be on until 20:00")
    assert stairs.readings[0].usual.startswith("usual for now (")
    warm = world(tmp_path, NOW, days=6, warm_hours=0.5)
    with EmbeddedStore(warm.store_path(), read_only=True) as store:
        (alcove, _) = collect_facts(warm, store, NOW).tanks
    water = next(reading for reading in alcove.readings if reading.quantity == "temperature")
    assert water.usual.startswith("higher than usual now (usually 2") and water.trend.startswith("rising, ")


def test_nothing_is_usual_before_days_have_taught_it(tmp_path: Path) -> None:
    young = world(tmp_path, NOW, days=LEAST_DAYS - 1)
    with EmbeddedStore(young.store_path(), read_only=True) as store:
        (alcove, _) = collect_facts(young, store, NOW).tanks
        assert {r.usual for r in alcove.readings if r.quantity != "light"} == {""}
        assert usual_day(watch_of("alcove", young.tanks["alcove"], store)[0], "ph") == []


def test_old_numbers_are_usual_for_no_hour(quiet: Settings) -> None:
    with EmbeddedStore(quiet.store_path(), read_only=True) as store:
        (alcove, _) = collect_facts(quiet, store, NOW + HOUR).tanks
    assert {(r.usual, r.trend) for r in alcove.readings} == {("", "")}


def test_the_usual_band_holds_what_the_tank_does(quiet: Settings) -> None:
    with EmbeddedStore(quiet.store_path(), read_only=True) as store:
        watch, _ = watch_of("alcove", quiet.tanks["alcove"], store)
    for quantity in ("temperature", "ph"):
        day = usual_day(watch, quantity)
        assert len(day) == 48
        for minute, usual in day:
            at = NOW // DAY_MS * DAY_MS + (minute - 60) * 60_000  # Warsaw is an hour ahead in winter
            true = dict(values("alcove", at))[quantity]
            assert usual.low < true < usual.high
            assert usual.high - usual.low < 1.0


@pytest.mark.parametrize("span", SPANS)
def test_each_span_keeps_its_extremes(quiet: Settings, tmp_path: Path, span: str) -> None:
    settings = world(tmp_path, NOW, days=3)
    spike = NOW - 30 * HOUR + 17_000 if span != "day" else NOW - 3 * HOUR + 17_000
    with EmbeddedStore(settings.store_path()) as store:
        store.add_readings([Reading("alcove", "temperature", spike, 25.9, Flag.PASS, 77)])
        store.add_readings([Reading("alcove", "temperature", spike + 1, 85.0, Flag.FAIL, 78)])
        store.compact(NOW)
        watch, _ = watch_of("alcove", settings.tanks["alcove"], store)
        told = plot_of(store, watch, settings.tanks["alcove"], span, NOW, store.events(tank="alcove"))
    panels = {panel["id"]: panel for panel in told["panels"]}
    water = panels["temperature"]
    assert max(water["high"]) == 25.9  # for ten seconds; what failed its check is no extreme
    assert len(water["times"]) == len(water["low"]) == len(water["high"]) <= 1100
    assert water["limits"] == [21.0, 27.0]
    assert all(low <= high for low, high in zip(water["low"], water["high"], strict=True))
    marks = [(mark["kind"], mark["text"]) for mark in told["marks"] if mark["kind"] != "alarm"]
    assert ("test", "KH 3 dKH") in marks
    assert (("water", "changed 25 % of the water; cleaned") in marks) is (span != "day")
    gas = panels["co2"]  # of a year, too
    assert len(gas["times"]) >= 3
    for low, least, most, high in zip(
        gas["likely"]["low"], gas["low"], gas["high"], gas["likely"]["high"], strict=True
    ):
        assert 0 < low <= least <= most <= high


def test_co2_of_the_curve_is_what_was_judged_then(tmp_path: Path) -> None:
    settings = world(tmp_path, NOW, days=3)
    other = SETTINGS.replace("carbonate_hardness_dkh = 3.0", "carbonate_hardness_dkh = 9.0")
    later = parse_settings(other, settings.path)
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        watch, _ = watch_of("alcove", settings.tanks["alcove"], store)
        told = [
            plot_of(store, TankWatch("alcove", one.tanks["alcove"]), one.tanks["alcove"], "day", NOW, [])
            for one in (settings, later)
        ]
    first, second = (next(panel for panel in one["panels"] if panel["id"] == "co2") for one in told)
    assert first == second  # a hardness that is corrected today changes no past judgement
    shown = watch.of(CarbonDioxideDetector).shown
    assert shown is not None
    assert first["low"][-1] <= round(shown.gas.mg_l, 2) <= first["high"][-1]
    assert max(first["high"]) > 1.5 * min(first["low"])  # by night and by day


def test_before_any_was_kept_co2_is_made_of_the_ph(tmp_path: Path) -> None:
    quiet = world(tmp_path, NOW, days=6)
    with EmbeddedStore(quiet.store_path()) as store:
        store._run("DELETE FROM states WHERE kind = 'judged-gas'")  # as an earlier version left it
        watch, _ = watch_of("alcove", quiet.tanks["alcove"], store)
        told = plot_of(store, watch, quiet.tanks["alcove"], "day", NOW, [])
        (alcove, _) = collect_facts(quiet, store, NOW).tanks
    gas = next(panel for panel in told["panels"] if panel["id"] == "co2")
    shown = alcove.carbon_dioxide
    assert shown is not None
    # of the newest pH; the front's figure is of the five minutes before
    assert gas["low"][-1] == pytest.approx(shown.mg_l, rel=0.05)
    assert gas["likely"]["low"][-1] == pytest.approx(shown.low_mg_l, rel=0.05)
    assert watch.of(CarbonDioxideDetector).shown is not None


def test_the_lamps_hours_are_by_the_wall_clock_over_the_change_of_summer_time(tmp_path: Path) -> None:
    # Warsaw goes from UTC+1 to UTC+2 on 29 March 2026 at 01:00 UTC (IANA tz database)
    now = 1_774_800_000_000  # 2026-03-29T16:00Z
    settings = world(tmp_path, now, days=2)
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        watch, _ = watch_of("alcove", settings.tanks["alcove"], store)
        told = plot_of(store, watch, settings.tanks["alcove"], "week", now, [])
    light = next(panel for panel in told["panels"] if panel["id"] == "light")
    before, after = light["shades"][-2:]
    assert (before[0] % 86_400, after[0] % 86_400) == (10 * 3600, 9 * 3600)  # 11:00 local


def facts(*alarms: AlarmFacts, age_ms: int = 60_000, name: str = "alcove") -> Facts:
    reading = ReadingFacts(
        quantity="ph", title="pH", value=7.0, unit="pH", printed="7.00", time_ms=NOW - age_ms, age_ms=age_ms
    )
    tank = TankFacts(name=name, title="Alcove", watched=True, readings=[reading], alarms=list(alarms))
    return Facts(
        time_ms=NOW,
        process=1,
        tanks=[tank],
        links=[],
        notices=NoticeFacts(waiting=0, late=0, refused=0, error=""),
    )


def alarm(priority: str = "high", left_s: float | None = 5400, state: str = "unacknowledged") -> AlarmFacts:
    return AlarmFacts(
        alarm="co2-overdose", quantity="", title="CO2 overdose", priority=priority, state=state,  # type: ignore[arg-type]
        state_text="", raised=True, over=False, headline="CO2 38 mg/L", raised_ms=NOW, shelf_end_ms=None,
        time_left_s=left_s, time_left="", cause="", consequence="", action=["Close the valve.", "Then look."],
        cautions=[], person_first=False, observations=[], rule_out="",
    )  # fmt: skip


def test_the_first_sentence_says_what_and_by_when(quiet: Settings) -> None:
    said = answer_of(facts(), quiet, [], True)
    assert (said.tone, said.title) == ("well", "All is well.")
    assert said.lines == ["No alarm so far.", "Nothing needs doing."]
    two = facts()
    two.tanks *= 2
    assert answer_of(two, quiet, [], True).title == "Both tanks are well."
    two.tanks += two.tanks[:1]
    assert answer_of(two, quiet, [], True).title == "All three tanks are well."
    said = answer_of(facts(alarm()), quiet, [], True)
    # an hour and a half from 13:30 in Warsaw
    assert (said.tone, said.title) == ("high", "Alcove needs you by 15:00.")
    assert said.lines == ["Close the valve."]
    assert (
        answer_of(facts(alarm(left_s=0)), quiet, [], True).title == "Alcove needs you now: no time is left."
    )
    assert answer_of(facts(alarm(left_s=None)), quiet, [], True).title == "Alcove needs you now."
    # a slope of next to nothing: no date in some million years
    assert answer_of(facts(alarm(left_s=1e17)), quiet, [], True).title == "Alcove needs you now."
    low = answer_of(facts(alarm("low", None)), quiet, [], True)
    assert low.title == "Alcove needs you when you pass by."
    seen = answer_of(facts(alarm(state="acknowledged")), quiet, [], True)
    assert "Somebody has said they are on it." in seen.lines
    more = answer_of(facts(alarm("low", None), alarm()), quiet, [], True)
    assert more.tone == "high" and "And 1 more alarm in Alcove." in more.lines


@pytest.mark.parametrize("answered", [False, True])
@pytest.mark.parametrize(
    "end",
    [
        "Not seen any more, pH probe at fault",
        "Not judged any more, the settings have no hardness",
        "Put down to heater stuck on",
        "Over",
    ],
)
def test_an_alarm_that_has_ended_is_over_only_where_its_notice_said_so(
    quiet: Settings, end: str, answered: bool
) -> None:
    ended = replace(alarm(state="returned unacknowledged"), raised=False, over=True, occurrence="alcove/x/1")
    event = Event(
        time="2026-03-01T12:00:00Z", tank="alcove", alarm="co2-overdose", event="cleared", priority="high",
        summary=f"{end}: CO2 overdose in Alcove", detail="", cautions=[], occurrence="alcove/x/1",
    )  # fmt: skip
    said = answer_of(facts() if answered else facts(ended), quiet, [event], True)
    if end == "Over":
        assert said.tone == "well" and "Nothing needs doing." in said.lines
        assert "when this was over: CO2 overdose in Alcove." in said.lines[0]
        assert answered or said.lines[1].startswith("Over, but nobody has said they saw it: ")
        return
    assert " over:" not in " ".join(said.lines) and "Over, but" not in " ".join(said.lines)
    if answered:
        assert said.lines[0] == f"Since today 13:00: {event.summary}."
    else:
        assert (said.tone, said.title) == ("odd", "No alarm, but not all is known to be over.")
        assert said.lines[0] == f"{event.summary}. Nobody has said they saw it."
        assert "Nothing needs doing." not in said.lines


def test_an_end_so_long_ago_that_its_event_is_not_at_hand_is_not_called_over(quiet: Settings) -> None:
    ended = replace(alarm(state="returned unacknowledged"), raised=False, over=True, occurrence="alcove/x/1")
    assert answer_of(facts(ended), quiet, [], True).tone == "well"  # its twin, that was seen to end
    ended.unseen = "not seen any more since 1 Mar, 13:00, pH probe at fault"
    said = answer_of(facts(ended), quiet, [], True)
    assert said.title == "No alarm, but not all is known to be over."
    assert said.lines[0] == (
        "CO2 overdose: not seen any more since 1 Mar, 13:00, pH probe at fault. Nobody has said they saw it."
    )
    assert sentence(facts(ended).tanks[0]).startswith("no alarm, but CO2 overdose not seen any more since")


def test_what_may_not_speak_or_was_not_judged_is_not_called_well(quiet: Settings) -> None:
    put_aside = replace(alarm(state="out of service"), raised=False, state_text="out of service for 3 days")
    said = answer_of(facts(put_aside), quiet, [], True)
    assert (said.tone, said.title) == ("odd", "No alarm, but not every alarm may speak.")
    assert said.lines[0] == "Silenced: CO2 overdose (Alcove), out of service for 3 days."
    assert "Nothing needs doing." not in said.lines
    assert sentence(facts(put_aside).tanks[0]) == "no alarm, some are silenced"
    # what hands have silenced is one line
    hands = facts(replace(put_aside, state="shelved", shelf_end_ms=NOW + HOUR))
    hands.tanks[0].hands_until_ms = NOW + HOUR
    said = answer_of(hands, quiet, [], True)
    assert said.lines == ["Hands are in Alcove: what hands cause is silent.", "No alarm so far."]
    failed = facts()
    failed.tanks[0].failure = FailureFacts(detector="light", age_ms=HOUR)
    said = answer_of(failed, quiet, [], True)
    assert said.tone == "odd" and "Light could not be judged (Alcove)" in said.lines[0]


def test_a_raising_that_was_put_aside_is_not_called_open_for_ever() -> None:
    def event(kind: str, at: str, raising: str, **more: Any) -> Event:
        return Event(
            time=f"2026-03-01T{at}:00Z", tank="alcove", alarm="light-missing", event=kind,  # type: ignore[arg-type]
            priority="medium", summary="MEDIUM: no light", detail="", cautions=[],
            occurrence=f"alcove/light-missing/2026-03-01T{raising}:00Z", **more,
        )  # fmt: skip

    first = [event("raised", "08:00", "08:00"), event("shelved", "08:05", "08:00", until="x", actor="Ola")]
    (only,) = past_alarms(first, {})
    assert (only.over_ms, only.again) == (None, False)
    anew, aside = past_alarms([*first, event("raised", "09:05", "09:05")], {})
    assert (anew.again, aside.again, aside.over_ms) == (False, True, None)
    over = event("cleared", "08:30", "08:00")
    anew, past = past_alarms([*first, over, event("raised", "09:05", "09:05")], {})
    assert (anew.again, past.again, past.lasted) == (False, False, "30 min")


def test_silence_is_not_called_well(quiet: Settings) -> None:
    old = facts(age_ms=HOUR)
    assert answer_of(old, quiet, [], True).title == "No fresh numbers from Alcove."
    assert sentence(old.tanks[0]) == "no fresh numbers"
    assert answer_of(facts(), quiet, [], False).title == "Nobody knows: no readings come in."


@pytest.mark.parametrize(
    ("ago_h", "text"),
    [(1, "today 12:30"), (20, "yesterday 17:30"), (72, "Thursday 13:30"), (240, "19 February 13:30")],
)
def test_moments_are_said_as_people_say_them(ago_h: int, text: str) -> None:
    assert day_and_time(NOW - ago_h * HOUR, "Europe/Warsaw", NOW) == text
