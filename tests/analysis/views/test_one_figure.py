"""One judgement, seen everywhere: the notice, status, the page, explain and replay give the same CO2.

Courses are made up (common practice, no source); what the figure itself should be is tested in
tests/analysis/detectors/gas and tests/analysis/physics.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.explain.explanation import explain
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.replay.store import replay_store
from rushlight.analysis.views.access.records import EVERYBODY
from rushlight.analysis.views.page.app import PageApp
from rushlight.analysis.views.page.desk import Desk
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore

MINUTE = 60_000
BEGAN = 1_772_323_200_000  # 2026-03-01T00:00Z
SETTINGS = """
[tanks.nook]
volume_litres = 54
timezone = "UTC"
[tanks.nook.water]
carbonate_hardness_dkh = 4.0
[tanks.nook.livestock]
temperature_low_c = 18.0
temperature_high_c = 27.0
co2_limit_mg_l = 30.0
[tanks.nook.co2]
source = "cylinder"
[tanks.nook.ph_calibration]
calibrated = 2026-02-20
"""
Course = Callable[[int], float]


def surge(minute: int) -> float:
    """From 15 mg/L on by a third of a pH an hour."""
    return 6.95 - max(0, minute - 180) / 180


def step(minute: int) -> float:
    """Acid poured in: what is judged less the step stays at 17 mg/L, what is read is 130."""
    return 6.9 if minute < 180 else 6.02


def step_by_little(minute: int) -> float:
    """A step first that was not told, then a surge: both figures are over the limit, and differ."""
    return 6.9 - (0.12 if minute >= 120 else 0.0) - max(0, minute - 240) / 120


class Figure(NamedTuple):
    mg_l: float
    low: float
    high: float


def figures_at_the_alarm(folder: Path, course: Course) -> tuple[dict[str, Figure], TankWatch]:
    """Who says it -> the CO2 that is said at the moment of the alarm."""
    settings = parse_settings(SETTINGS, str(folder / "rushlight.toml"))
    watch, intake = TankWatch("nook", settings.tanks["nook"]), Intake(settings)
    readings: list[Reading] = []
    raised = []
    for minute in range(24 * 60):
        # hundredths, and a probe that is never quite still
        for name, value in (("temperature", 24.0 + minute % 3 / 16), ("ph", round(course(minute), 2))):
            wobble = minute * 7 % 3 / 100 if name == "ph" else 0.0
            for reading in intake.take(
                Reading("nook", name, BEGAN + minute * MINUTE, round(value + wobble, 2))
            ):
                readings.append(reading)
                raised += [e for e in watch.feed(reading) if (e.alarm, e.event) == ("co2-overdose", "raised")]
        if raised:
            break
    (event,) = raised
    now_ms = milliseconds(event.time)
    with EmbeddedStore(settings.store_path()) as store:
        with store.transaction():
            store.add_readings(readings)
            store.add_event(event)
            store.save_state(ANALYSIS_STATE, "nook", watch.snapshot(), 0)
        said: dict[str, Figure] = {}
        match = re.search(r"about (\d+) mg/L CO2 \(likely (\d+) to (\d+)\)", event.observations[0])
        assert match is not None and event.value is not None
        said["notice"] = Figure(event.value, float(match[2]), float(match[3]))
        text = "\n".join(line.plain for line in status_lines(settings, store, now_ms))
        match = re.search(r"CO2, .* (\d+) mg/L   likely (\d+) to (\d+)", text)
        assert match is not None, text
        said["status"] = Figure(*(float(part) for part in match.groups()))
        page = PageApp(Desk(settings, settings.store_path(), lambda: now_ms, lambda: True))
        try:
            (tank,) = json.loads(bytes(page._json(None, EVERYBODY).body))["tanks"]  # type: ignore[arg-type]
        finally:
            page.close()
        found = tank["carbon_dioxide"]
        said["status.json"] = Figure(found["mg_l"], found["low_mg_l"], found["high_mg_l"])
        samples = replay_store(settings, store, "nook", BEGAN, now_ms + 1).samples
        beliefs = next(s for s in reversed(samples) if s.time_ms <= now_ms).beliefs
        said["replay"] = Figure(*(beliefs[f"co2_{part}mg_l"] for part in ("", "low_", "high_")))
        explanation = explain(settings, store, store, event.occurrence, now_ms)
        panel = next(panel for panel in explanation.panels if panel.title == "dissolved CO2")
        drawn = [value for at, value in panel.curves[0].points if at < now_ms][-1]
        _, low, high = [point for point in panel.bands[0].points if point[0] < now_ms][-1]
        said["explain"] = Figure(drawn, low, high)
        forecast = [curve.points for curve in panel.curves if curve.role == "forecast"]
        assert [points[0][1] for points in forecast] == [pytest.approx(drawn)] * (course is not step)
        for points in forecast:
            assert points[-1][1] == pytest.approx(beliefs["co2_in_1_h_mg_l"])
    return said, watch


@pytest.mark.parametrize("course", [surge, step, step_by_little])
def test_all_say_the_figure_that_was_judged_by(tmp_path: Path, course: Course) -> None:
    said, watch = figures_at_the_alarm(tmp_path, course)
    judged = said["status.json"]
    for name, figure in said.items():
        for one, other in zip(figure, judged, strict=True):
            assert one == pytest.approx(other, abs=0.51), (name, said)  # as far as it is printed
    for name in ("replay", "explain"):
        assert said[name] == pytest.approx(judged, rel=1e-9), said
    shown = watch.of(CarbonDioxideDetector).shown
    assert shown is not None and judged.mg_l == shown.gas.mg_l
