"""Axes: round figures, and no curve flattened by what failed a check."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.explain.curves import Curve, Limit, Panel, round_step, tick_text
from rushlight.analysis.explain.displayed import displayed
from rushlight.analysis.explain.explanation import Explanation
from rushlight.analysis.explain.terminal import plot_lines
from rushlight.collector.events import Event

BEGAN = 1_772_358_600_000
HOUR = 3_600_000


def explained(panel: Panel, timezone: str = "Europe/Lisbon") -> Explanation:
    at = datetime.fromtimestamp(BEGAN / 1000 + 3 * 3600, UTC).isoformat()
    event = Event(
        time=at,
        tank="sill",
        alarm="temperature-high",
        event="raised",
        priority="high",
        summary="25.0 °C",
        detail="",
        cautions=[],
    )
    return Explanation(
        event=event,
        title="Sill",
        timezone=timezone,
        from_ms=BEGAN,
        to_ms=BEGAN + 4 * HOUR,
        decided_ms=BEGAN + 3 * HOUR,
        over_ms=None,
        panels=[panel],
        gaps=[],
        note="",
    )


def water(flagged: list[float]) -> Panel:
    good = [(BEGAN + n * 120_000, 24.0 + n / 120) for n in range(120)]
    bad = [(BEGAN + (n + 1) * HOUR, value) for n, value in enumerate(flagged)]
    curves = [Curve("measured", "measured", good)]
    curves += [Curve("readings that failed a check", "flagged", bad)] if bad else []
    return Panel("water temperature", "°C", 1, curves, limits=[Limit("the limit", 26.0)])


def test_what_failed_a_check_flattens_nothing_and_is_named() -> None:
    plain, disturbed = water([]), water([85.0, -127.0])
    assert disturbed.span() == plain.span()
    assert disturbed.outside() == [85.0, -127.0]
    text = "\n".join(plot_lines(explained(disturbed), disturbed)).replace("\n  ", " ")
    assert "(also 85.0, -127.0, outside)" in text
    rows = [line for line in plot_lines(explained(disturbed), disturbed) if "•" in line and "│" in line]
    assert len(rows) >= 4  # a curve, not a line
    near = water([26.5])
    assert near.outside() == [] and near.span()[1] >= 26.5  # what lies near is drawn


@given(st.floats(min_value=0.01, max_value=50_000), st.integers(min_value=3, max_value=6))
def test_steps_are_round_and_few(span: float, most: int) -> None:
    step = round_step(span, most)
    first = f"{step:e}"[0]
    assert first in "125" and step * most >= span * (1 - 1e-6)
    assert float(tick_text(step, step)) == pytest.approx(step)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_figures_at_the_axis_are_round_in_both_units(units: str) -> None:
    found = displayed(explained(water([])), "us" if units == "us" else "metric")
    panel = found.panels[0]
    assert panel.unit == ("°F" if units == "us" else "°C")
    assert found.event.summary == ("77.0 °F" if units == "us" else "25.0 °C")
    labels = [line.split("│")[0].strip() for line in plot_lines(found, panel) if "│" in line]
    figures = [float(text) for text in labels if text and text[0].isdigit()]
    steps = {round(a - b, 6) for a, b in itertools.pairwise(figures)}
    assert len(figures) >= 3 and len(steps) == 1
    assert f"{steps.pop():e}"[0] in "125"


def test_times_are_those_of_the_tank() -> None:
    def hours(zone: str) -> str:
        panel = water([])
        return next(line for line in plot_lines(explained(panel, zone), panel) if line.count(":00") >= 3)

    assert "12:00" in hours("UTC") and "17:00" in hours("Asia/Kathmandu").replace("16:00", "17:00")
    assert hours("UTC") != hours("America/Denver")
