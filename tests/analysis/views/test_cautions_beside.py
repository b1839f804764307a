"""An alarm's cautions on `status`, the front, its own page and in notices: the same words, alike."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from rushlight.analysis.alarms.cautions import CAUTIONS, below, below_all, cautions_for
from rushlight.analysis.alarms.rationale import RATIONALE, rationale_for
from rushlight.analysis.findings import Finding
from rushlight.analysis.notices.wording import Line, event_text, group_text
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.test_page import NOW, Served, plain, serve, warm_tank

__all__ = ["serve"]  # the fixture

REST = "very cable needs a drip loop"


def raise_in(settings: Settings, *findings: Finding) -> list[Event]:
    """These alarms, and no other, in the store."""
    watch = TankWatch("porch", settings.tanks["porch"])
    events = [
        event
        for minute in range(240)
        for event in watch.book.update(list(findings), NOW + (minute - 240) * 60_000)
    ]
    with EmbeddedStore(settings.store_path()) as store:
        for event in events:
            store.add_event(event)
        store.save_state(ANALYSIS_STATE, "porch", watch.snapshot(), store.position())
    return [event for event in events if event.event == "raised"]


def screen_of(settings: Settings) -> str:
    with EmbeddedStore(settings.store_path()) as store:
        return "\n".join(line.plain for line in status_lines(settings, store, NOW))


def test_all_four_have_the_deciding_words_in_the_step_and_the_rest_once(
    tmp_path: Path, serve: Callable[..., Served]
) -> None:
    settings = warm_tank(tmp_path)
    (raised,) = raise_in(settings, Finding(alarm="heater-stuck-on", priority="high"))
    front = serve(settings).get("/")[2]
    (link,) = set(re.findall(r'href="(/alarm/[^"]+)"', front))
    own = plain(serve(settings).get(link)[2])
    group = group_text([Line(raised.occurrence, "raised", raised.summary, event_text(raised).body, "high")])
    texts = {
        "status": screen_of(settings),
        "front": plain(front),
        "alarm": own,
        "notice": event_text(raised).body,
        "group": group.body,
    }
    for name, text in texts.items():
        assert "Unplug the heater at the wall now, with dry hands" in text, name
        assert text.count(REST) == 1, name
        assert "Electricity: unplug" not in text, name  # not a second time, in a block
        assert text.count(CAUTIONS["animals"]) == 1, name


def test_a_step_without_the_words_has_the_whole_caution(tmp_path: Path, serve: Callable[..., Served]) -> None:
    """And the one text, not half of it again, where another alarm's step has them."""
    settings = warm_tank(tmp_path)
    drift = Finding(alarm="light-schedule-drift", priority="low")
    raise_in(settings, drift, Finding(alarm="heater-stuck-on", priority="high"))
    for text in (screen_of(settings), plain(serve(settings).get("/")[2])):
        assert text.count(CAUTIONS["electrical"]) == 1 and text.count(REST) == 1


@pytest.mark.parametrize("alarm", RATIONALE)
def test_alone_it_is_the_same_rule(alarm: str) -> None:
    for steps in (rationale_for(alarm).steps(), rationale_for(alarm).lines[0]):
        cautions = cautions_for(alarm)
        assert below_all([(cautions, steps)]) == below(cautions, steps)
        assert below_all([(cautions, steps)] * 2) == below(cautions, steps)
        assert below_all([(cautions, steps)], cautions) == []


def test_gas_words_of_two_sources_are_both_said() -> None:
    step = "CO2 gathers low: air the room, and go out if you feel dizzy."
    gas = [CAUTIONS["gas"]]
    (both,) = below_all([(gas, f"Cylinder: {step}"), (gas, f"Reactor: {step}")])
    assert "cylinder upright" in both and "hose of a working reactor" in both
    (one,) = below_all([(gas, f"Cylinder: {step}")])
    assert "reactor" not in one


def test_danger_to_people_is_before_its_step_also_in_the_terminal(
    tmp_path: Path, serve: Callable[..., Served]
) -> None:
    settings = warm_tank(tmp_path)
    raise_in(settings, Finding(alarm="stray-current-suspected", priority="critical"))
    screen = screen_of(settings)
    lines = screen.splitlines()
    hand = next(n for n, line in enumerate(lines) if "do not put a hand in the water" in line)
    assert "First: Keep your hands out of the water" in lines[hand + 3]
    assert screen.count(REST) == 1
    article = re.findall(r"<article.*?</article>", html.unescape(serve(settings).get("/")[2]), re.S)[0]
    assert article.index("do not put a hand in the water") < article.index("Keep your hands out")
