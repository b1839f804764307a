"""Hands in the tank, and verdicts: by the way of every request, kept over a restart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.alarms.hands import (
    HANDS_META,
    HANDS_MS,
    LONGEST_HANDS_MS,
    NEVER_SILENCED,
    SILENCED,
)
from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.requests import quantities_of
from rushlight.analysis.alarms.states import AlarmState
from rushlight.analysis.alarms.verdicts import verdicts
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.analysis.findings import Finding
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.views.facts import collect_facts
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.service.test_live import BEGAN, SETTINGS

MIN = 60_000


class Desk:
    """A service that does one round for each request."""

    def __init__(self, folder: Path) -> None:
        self.settings = parse_settings(SETTINGS, str(folder / "rushlight.toml"))
        self.store = EmbeddedStore(self.settings.store_path(), synchronous="OFF")
        self.now = BEGAN
        self.boot()

    def boot(self) -> None:
        notifier = make_notifier(self.settings, lambda: self.now)
        self.live = LiveAnalysis(self.settings, notifier, lambda: self.now)
        self.live.start(self.store, self.now)

    def ask(self, kind: str, alarm: str = "", wait_ms: int = 0, **arguments: Any) -> str:
        number = self.store.add_request(kind, "hallway", alarm, "", arguments, "Ines", self.now)
        self.now += wait_ms
        self.live.poll(self.store, self.now)
        self.keep()
        return self.store.request_outcome(number) or ""

    def keep(self) -> None:
        with self.store.transaction():
            self.live.keep(self.store, self.now, False)
        self.live.kept(self.now)

    def judge(self, *alarms: str) -> list[str]:
        """What is raised now, if these conditions go on for an hour."""
        book = self.live.watches["hallway"].book
        raised = []
        for _ in range(12):
            self.now += 5 * MIN
            found = [Finding(alarm=name, priority=RATIONALE[name].priority) for name in alarms]
            events = book.update(found, self.now)
            raised += [event.alarm for event in events if event.event == "raised"]
            with self.store.transaction():
                for event in events:
                    self.store.add_event(event)
        return raised


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    made = Desk(tmp_path)
    yield made
    made.store.close()


def test_every_alarm_was_thought_about_and_what_kills_at_once_speaks() -> None:
    assert sorted([*SILENCED, *NEVER_SILENCED]) == sorted(RATIONALE)
    deadly = {"co2-overdose", "heater-stuck-on", "stray-current-suspected", "device-silent"}
    assert deadly <= set(NEVER_SILENCED)
    # common practice, no source
    assert (HANDS_MS, LONGEST_HANDS_MS) == (30 * MIN, 120 * MIN)


def test_what_hands_cause_is_silent_what_kills_is_not_and_it_ends_by_itself(desk: Desk) -> None:
    assert "hands in the tank until 1 Mar, 04:00" in desk.ask("hands", for_ms=LONGEST_HANDS_MS)
    assert desk.judge("light-missing", "co2-overdose") == ["co2-overdose"]
    book = desk.live.watches["hallway"].book
    assert book.records()["hallway", "light-missing", ""].state is AlarmState.SHELVED
    assert book.records()["hallway", "co2-overdose", ""].state is AlarmState.UNACKNOWLEDGED
    # an hour more: it is over, and what is still there speaks
    assert "light-missing" in desk.judge("light-missing", "co2-overdose")


def test_what_was_raised_before_is_no_work_of_hands(desk: Desk) -> None:
    assert desk.judge("light-missing") == ["light-missing"]
    desk.ask("hands")
    book = desk.live.watches["hallway"].book
    assert book.records()["hallway", "light-missing", ""].state is AlarmState.UNACKNOWLEDGED
    assert book.records()["hallway", "light-stuck-on", ""].state is AlarmState.SHELVED


def test_a_shelf_of_its_own_keeps_its_end_and_hands_can_go_on(desk: Desk) -> None:
    desk.ask("shelve", "light-dimming", for_ms=600 * MIN)
    desk.ask("hands")
    desk.now += 20 * MIN
    assert "done" in desk.ask("hands")
    book = desk.live.watches["hallway"].book
    ends = {key[1]: record.shelf_end_ms for key, record in book.records().items()}
    assert ends["light-dimming"] == BEGAN + 600 * MIN
    assert ends["light-missing"] == BEGAN + 50 * MIN
    assert "done" in desk.ask("hands-over")
    assert set(key[1] for key in book.records()) == {"light-dimming"}
    assert desk.ask("hands-over").startswith("refused: hallway: nobody has said")


def test_hands_are_known_after_a_restart_and_shown(desk: Desk) -> None:
    desk.ask("hands")
    assert desk.store.get_meta(HANDS_META + "hallway") == str(BEGAN + HANDS_MS)
    desk.boot()
    (hallway, _) = collect_facts(desk.settings, desk.store, desk.now).tanks
    assert hallway.hands_until_ms == BEGAN + HANDS_MS
    (hallway, _) = collect_facts(desk.settings, desk.store, BEGAN + HANDS_MS).tanks
    assert hallway.hands_until_ms is None
    assert "done" in desk.ask("hands-over")


def test_hands_end_at_their_end_and_may_be_as_long_as_hands_may_be(desk: Desk) -> None:
    assert desk.ask("hands-over").startswith("refused: hallway: nobody has said")
    assert desk.store.get_meta(HANDS_META + "hallway") is None  # a refusal changes nothing
    assert desk.ask("hands", for_ms=1).startswith("done")
    desk.now += 1
    assert desk.ask("hands-over").startswith("refused: hallway: nobody has said")
    assert desk.ask("hands", for_ms=LONGEST_HANDS_MS).startswith("done")
    assert desk.ask("hands-over").startswith("done")
    assert desk.store.get_meta(HANDS_META + "hallway") == "0"


def test_what_was_kept_is_not_written_again(desk: Desk) -> None:
    desk.ask("hands")
    desk.store.set_meta(HANDS_META + "hallway", "7")
    desk.keep()
    assert desk.store.get_meta(HANDS_META + "hallway") == "7"


def test_what_is_out_of_service_stays_so_when_hands_go_in_and_out(desk: Desk) -> None:
    assert desk.ask("out-of-service", "light-missing").startswith("done")
    assert desk.ask("hands").startswith("done")
    book = desk.live.watches["hallway"].book
    states = {key[1]: record.state for key, record in book.records().items()}
    assert states["light-missing"] is AlarmState.OUT_OF_SERVICE
    assert states["light-stuck-on"] is AlarmState.SHELVED
    desk.ask("hands-over")
    assert [key[1] for key in book.records()] == ["light-missing"]


@pytest.mark.parametrize("reported", [["ph"], []])
def test_hands_silence_the_probes_that_there_are(desk: Desk, reported: list[str]) -> None:
    """Where none has reported yet, all that there may be."""
    for quantity in reported:
        desk.live.watches["hallway"].of(ProbeDetector).health[quantity] = SeriesHealth()
    desk.ask("hands")
    silent = {key[2] for key in desk.live.watches["hallway"].book.records() if key[1] == "probe-fault"}
    assert silent == set(reported or quantities_of("probe-fault")) and len(quantities_of("probe-fault")) > 1


def test_hands_that_nobody_has_any_more_are_refused(desk: Desk) -> None:
    assert "its time is over" in desk.ask("hands", wait_ms=HANDS_MS)
    for wrong in (0, -1, LONGEST_HANDS_MS + 1):
        assert "give from 1 minute to 2 hours" in desk.ask("hands", for_ms=wrong)
    assert desk.live.watches["hallway"].book.records() == {}


def test_no_hand_is_sent_into_water_that_may_kill(desk: Desk) -> None:
    assert desk.judge("stray-current-suspected") == ["stray-current-suspected"]
    said = desk.ask("hands")
    assert said.startswith("refused: hallway: stray current is suspected") and "breaker" in said
    book = desk.live.watches["hallway"].book
    assert {record.state for record in book.records().values()} == {AlarmState.UNACKNOWLEDGED}
    # whoever has put it aside has looked
    desk.ask("shelve", "stray-current-suspected", for_ms=60 * MIN)
    assert "Unplug at the wall" in desk.ask("hands")
    assert "plug in again" in desk.ask("hands-over")


@pytest.mark.parametrize("restart", [False, True])
def test_hands_end_with_what_they_silence_when_the_clock_is_put_back(desk: Desk, restart: bool) -> None:
    desk.ask("hands")
    if restart:
        desk.now += 5_000
        desk.live.tick(desk.now)
        desk.keep()
    desk.now -= 20 * MIN  # what is silent keeps the time that was left of it
    if restart:
        desk.boot()
    else:
        desk.live.tick(desk.now)
    assert desk.live.wants(desk.now)
    desk.keep()
    book = desk.live.watches["hallway"].book
    (end,) = {record.shelf_end_ms for record in book.records().values()}
    assert end is not None and abs(end - desk.now - HANDS_MS) <= 5_000
    # what is shown is what is judged
    assert desk.store.get_meta(HANDS_META + "hallway") == str(end)
    (hallway, _) = collect_facts(desk.settings, desk.store, desk.now).tanks
    assert hallway.hands_until_ms == end
    # they can go on, and be ended
    desk.now += MIN
    assert "done" in desk.ask("hands") and "done" in desk.ask("hands-over")
    assert desk.live.watches["hallway"].book.records() == {}


def test_a_clock_that_goes_on_moves_no_end_of_hands(desk: Desk) -> None:
    desk.ask("hands")
    kept = desk.store.get_meta(HANDS_META + "hallway")
    desk.now += 10 * MIN
    desk.live.tick(desk.now)
    desk.keep()
    assert desk.store.get_meta(HANDS_META + "hallway") == kept
    # over, and then the clock is put back to before: nobody's hands come in again by that
    assert "done" in desk.ask("hands-over")
    desk.now -= 20 * MIN
    desk.live.tick(desk.now)
    desk.keep()
    assert desk.store.get_meta(HANDS_META + "hallway") == "0"


def test_an_end_of_hands_that_ended_nothing_is_not_confirmed(desk: Desk) -> None:
    desk.ask("hands")
    book = desk.live.watches["hallway"].book
    for _, alarm, quantity in list(book.records()):  # each ended by itself
        number = desk.store.add_request("unshelve", "hallway", alarm, quantity, {}, "Ines", desk.now)
        desk.live.poll(desk.store, desk.now)
        desk.keep()
        assert "done" in (desk.store.request_outcome(number) or "")
    said = desk.ask("hands-over")
    assert said.startswith("refused: hallway: nothing of what hands had silenced")


def test_a_verdict_is_kept_and_may_be_changed(desk: Desk) -> None:
    name = "hallway/co2-overdose/2026-03-01T02:14:10Z"
    asked = desk.ask("verdict", "co2-overdose", verdict="false", occurrence=name)
    assert asked.startswith(f"refused: {name}: no such alarm was raised") and verdicts(desk.store) == {}
    assert desk.judge("co2-overdose") == ["co2-overdose"]
    name = desk.live.watches["hallway"].book.records()["hallway", "co2-overdose", ""].occurrence
    asked = desk.ask("verdict", "co2-overdose", verdict="false", occurrence=name)
    assert asked == f"done: {name}: noted, false alarm"
    asked = desk.ask("verdict", "co2-overdose", verdict="other", was="x" * 300, occurrence=name)
    assert asked.endswith("x" * 300)  # as long as it may be
    asked = desk.ask("verdict", "co2-overdose", verdict="other", was="a dying electrode", occurrence=name)
    assert asked.endswith("it was a dying electrode")
    (kept,) = verdicts(desk.store).values()
    assert (kept.verdict, kept.was, kept.actor) == ("other", "a dying electrode", "Ines")


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"verdict": "maybe"}, "is no verdict"),
        ({"verdict": "other"}, "say what it was instead"),
        ({"verdict": "false", "was": "x" * 301}, "at most 300"),
        ({"verdict": "false", "was": "a\x1bb"}, "one line"),
        ({"verdict": "false", "occurrence": "shed/co2-overdose/x"}, "is on one alarm"),
    ],
)
def test_a_verdict_that_says_nothing_is_refused(desk: Desk, said: dict[str, str], why: str) -> None:
    given = {"occurrence": "hallway/co2-overdose/2026-03-01T02:14:10Z", **said}
    assert why in desk.ask("verdict", "co2-overdose", **given)
    assert verdicts(desk.store) == {}
