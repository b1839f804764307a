"""Curves of the page and a calibration that was noted late: by what is known now, as an export has them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.views.page.curve_readings import CurveReadings
from rushlight.analysis.views.page.plots import plot_of
from rushlight.analysis.views.page.sparkline import Trace
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.settings.tables import CalibrationPoint
from rushlight.collector.store.calibration import Calibration
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry
from rushlight.collector.store.recalibrated import Recalibrated, calibrations_of

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NOW = 1_772_366_400_000  # 2026-03-01T12:00Z
SLOPE_25 = 59.1597  # mV, Nernst at 25 °C (CODATA 2018)
SETTINGS = parse_settings("""
[tanks.attic]
volume_litres = 60
timezone = "UTC"
[tanks.attic.livestock]
temperature_low_c = 20
temperature_high_c = 27
""")
TANK = SETTINGS.tanks["attic"]
AT, NOTED = NOW - 20 * HOUR, NOW - HOUR


def kept(path: Path) -> EmbeddedStore:
    """Three days of 0 mV at 25 °C: pH 7.00 by the ideal electrode."""
    store = EmbeddedStore(path, synchronous="OFF")
    rows = []
    for i in range(3 * 288):
        at = NOW - 3 * DAY + i * 5 * MINUTE
        later = at >= NOTED + 10_000  # by then the service knew
        ph = 7.0 + 30.0 / SLOPE_25 if later and path.stem == "noted" else 7.0
        wild = i % 50 == 7
        for name, value in (("temperature", 25.0), ("ph_probe", 0.0), ("ph", 13.9 if wild else ph)):
            flag = Flag.FAIL if wild and name == "ph" else Flag.PASS
            rows.append(Reading("attic", name, at, value, flag, i))
    store.add_readings(rows)
    store.compact(NOW)
    return store


def curve(store: EmbeddedStore, span: str) -> dict[str, Any]:
    told = plot_of(store, TankWatch("attic", TANK), TANK, span, NOW, [])
    found: dict[str, Any] = next(panel for panel in told["panels"] if panel["id"] == "ph")
    return found


def test_a_calibration_that_was_noted_late_is_in_the_curve(tmp_path: Path) -> None:
    """+30 mV at pH 7 and 25 °C: 0 mV is pH 7 + 30 / 59.16 = 7.507 (Nernst equation)."""
    points = (CalibrationPoint(ph=7.0, mv=30.0), CalibrationPoint(ph=4.0, mv=30.0 + 3 * SLOPE_25))
    entry = LogEntry(tank="attic", time_ms=AT, calibration=Calibration(quantity="ph_probe", points=points))
    for name in ("noted", "never"):
        with kept(tmp_path / f"{name}.db") as store:
            if name == "noted":
                store.add_log(entry, "me", NOTED)
            for span, step in (("day", 2), ("week", 15)):
                found = curve(store, span)
                for time, low, high in zip(found["times"], found["low"], found["high"], strict=True):
                    if AT - step * MINUTE < time * 1000 < AT:
                        continue  # the step in which it was
                    since = name == "noted" and time * 1000 >= AT
                    assert low == high == pytest.approx(7.507 if since else 7.0, abs=0.001), (span, time)
                assert len(found["times"]) > 250
            assert max(curve(store, "month")["high"]) == pytest.approx(
                7.507 if name == "noted" else 7.0, abs=0.001
            )
            assert sum(one > 7.2 for one in curve(store, "month")["high"]) == (1 if name == "noted" else 0)


def test_it_is_what_an_export_has(tmp_path: Path) -> None:
    """Whatever was noted and undone: each step of the curve is by the readings of an export."""
    with kept(tmp_path / "noted.db") as store:
        for hours, offset, undone in ((50, 10.0, True), (40, -20.0, False), (20, 30.0, False)):
            points = (CalibrationPoint(ph=7.0, mv=offset), CalibrationPoint(ph=4.0, mv=offset + 3 * SLOPE_25))
            made = Calibration(quantity="ph_probe", points=points)
            entry = LogEntry(tank="attic", time_ms=NOW - hours * HOUR, calibration=made)
            entry = store.add_log(entry, "me", NOW - (hours - 9) * HOUR)
            if undone:
                store.undo_log("attic", entry.id, NOTED)
        start, step = NOW - 3 * DAY, 15 * MINUTE
        export = Recalibrated(store, calibrations_of(store, SETTINGS.tanks))
        wanted: dict[int, list[float]] = {}
        for one in export.readings("attic", "ph", start, NOW):
            if one.value is not None and one.flag < Flag.FAIL:
                wanted.setdefault(one.time_ms // step * step, []).append(one.value)
        found = CurveReadings(store, "attic", TANK).extremes("ph", start, NOW, step)
        assert found.keys() == wanted.keys()
        for at, values in wanted.items():
            assert found[at] == pytest.approx((min(values), max(values)), abs=1e-5), at
        assert len({round(low, 2) for low, _ in found.values()}) == 3


def test_what_is_settled_is_computed_where_it_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A calibration of last month costs a week's picture nothing; one of an hour ago does."""
    points = (CalibrationPoint(ph=7.0, mv=30.0), CalibrationPoint(ph=4.0, mv=30.0 + 3 * SLOPE_25))
    made = Calibration(quantity="ph_probe", points=points)
    with kept(tmp_path / "never.db") as store:
        gone_through: list[str] = []
        real = store.readings

        def readings(tank: str, quantity: str, *span: Any) -> Any:
            gone_through.append(quantity)
            return real(tank, quantity, *span)

        monkeypatch.setattr(store, "readings", readings)
        for at, many in ((NOW - 30 * DAY, False), (NOW - HOUR, True)):
            store.add_log(LogEntry(tank="attic", time_ms=at, calibration=made), "me", at)
            curve(store, "week")
            assert bool(gone_through) is many


def test_a_small_drawing_follows_within_the_hour(tmp_path: Path) -> None:
    points = (CalibrationPoint(ph=7.0, mv=30.0), CalibrationPoint(ph=4.0, mv=30.0 + 3 * SLOPE_25))
    made = Calibration(quantity="ph_probe", points=points)
    with kept(tmp_path / "never.db") as store:
        trace = Trace("attic", "ph")
        trace.update(store, NOW, TANK)
        assert {pair for pair in trace.buckets.values()} == {(7.0, 7.0)}
        store.add_log(LogEntry(tank="attic", time_ms=NOW - 5 * HOUR, calibration=made), "me", NOW)
        trace.update(store, NOW + HOUR, TANK)
    by_now = [pair for bucket, pair in trace.buckets.items() if bucket * 600_000 >= NOW - 5 * HOUR]
    assert len(by_now) == 30 and min(by_now)[0] == pytest.approx(7.507, abs=0.001)
