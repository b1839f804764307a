"""What the demo says about its scene and its store, beside the notices."""

from __future__ import annotations

import re
from collections.abc import Callable

from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.replay.store import replay_store
from rushlight.collector.events import Event
from rushlight.collector.readings import PH, TEMPERATURE, Flag
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.scene import Chapter, Scene
from rushlight.simulator.tank import Tank

__all__ = ["event_behind", "harm_ms", "raised_in", "readings_text"]


def harm_ms(scene: Scene, chapter: Chapter, settings: Settings) -> int | None:
    """When the livestock's limit would be passed if nobody came; None where the fault harms no animal."""
    limits = settings.tanks[scene.tank].livestock
    harmed: dict[str, Callable[[Tank], bool]] = {
        "co2-overdose": lambda tank: tank.co2_mg_l > limits.co2_limit_mg_l,
        "heater-not-heating": lambda tank: tank.temperature_c < limits.temperature_low_c,
    }
    is_harmed = harmed.get(chapter.expected_alarm or "")
    if is_harmed is None:
        return None
    for state in scene.unattended(chapter).states():
        if state.time_ms >= chapter.start_ms and is_harmed(state.tank):
            return state.time_ms
    return None


def raised_in(store: EmbeddedStore, chapter: Chapter) -> list[Event]:
    """Raised events of a chapter, in order of time."""
    return [
        event
        for event in store.events(since_ms=chapter.start_ms)
        if event.event == "raised" and milliseconds(event.time) < chapter.end_ms
    ]


def event_behind(store: EmbeddedStore, title: str, body: str) -> Event | None:
    """The event that a notice is about, by the occurrence at its end; of a gathered notice the newest.

    By its title too: on a slow screen the alarm may be over by the time its first notice is shown.
    """
    names = re.findall(r"Alarm: (\S+)", body)
    events = [event for name in names for event in store.events(occurrence=name)]
    said = [event for event in events if event.summary == title]
    return max(said or events, key=lambda event: event.time, default=None)


def readings_text(store: EmbeddedStore, tank: str, chapter: Chapter, settings: Settings) -> str:
    """Lowest and highest of the chapter's good readings, and of the CO2 that was judged by."""
    good: dict[str, dict[int, float]] = {TEMPERATURE: {}, PH: {}}
    bad = 0
    for quantity, values in good.items():
        for reading in store.readings(tank, quantity, chapter.start_ms, chapter.end_ms):
            if reading.value is not None and reading.flag < Flag.SUSPECT:
                values[reading.time_ms] = reading.value
            else:
                bad += 1
    water, acid = good[TEMPERATURE], good[PH]
    if not water or not acid:
        return "No readings."
    said = f"Water {min(water.values()):.1f} to {max(water.values()):.1f} °C, pH "
    said += f"{min(acid.values()):.2f} to {max(acid.values()):.2f}"
    samples = replay_store(settings, store, tank, chapter.start_ms, chapter.end_ms).samples
    gas = [sample.beliefs["co2_mg_l"] for sample in samples if "co2_mg_l" in sample.beliefs]
    if gas:
        said += f", CO2 {min(gas):.0f} to {max(gas):.0f} mg/L"
    said += f", in {len(water)} reports"
    return f"{said}; bad readings flagged: {bad}." if bad else f"{said}."
