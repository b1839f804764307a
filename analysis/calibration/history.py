"""What a probe's calibrations say, one after the other: verdicts, and where an electrode's slope is going."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from rushlight.analysis.calibration.numbers import CALIBRATING
from rushlight.analysis.physics.numbers import ELECTRODE
from rushlight.analysis.views.electrode_drift import calibration_due
from rushlight.collector.electrode import electrode_health
from rushlight.collector.readings import PH_PROBE
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["history_lines", "slope_forecast"]

_DAY_MS = 86_400_000


def history_lines(tank: TankSettings, entries: Sequence[LogEntry], now_ms: int) -> list[str]:
    """The calibrations of a log by time, then what they come to."""
    zone = ZoneInfo(tank.timezone)
    found = [entry for entry in entries if entry.calibration is not None]
    lines = []
    for entry in found:
        assert entry.calibration is not None
        moment = datetime.fromtimestamp(entry.time_ms / 1000, UTC).astimezone(zone)
        lines.append(f"{entry.id:>5}  {moment:%Y-%m-%d %H:%M}  {entry.calibration.words()}")
    if not lines:
        return ["nothing has been calibrated with `rushlight calibrate` yet"]
    electrode = [entry for entry in found if entry.calibration and entry.calibration.quantity == PH_PROBE]
    due = calibration_due(electrode, now_ms)
    if due is not None:
        age = (now_ms - electrode[-1].time_ms) // _DAY_MS
        when = f"due again in {due.left_days} days" if due.left_days > 0 else "due now"
        drift = ""
        if due.drift_a_day is not None:
            drift = f" It drifts by {due.drift_a_day * ELECTRODE.keeps_days:.2f} pH a month."
        lines.append(f"The electrode was calibrated {age} days ago: {when}.{drift}")
    forecast = slope_forecast(electrode)
    if forecast is not None:
        slope, per_month, months = forecast
        said = f"Its slope, {slope:.1f} %, changes by {per_month:+.1f} % a month"
        if months is not None:
            said += (
                f"; at that rate it is worn ({CALIBRATING.worn_percent:g} %) in about {months:.0f} months: "
                "have a new one by then"
            )
        lines.append(said + ".")
    return lines


def slope_forecast(entries: Sequence[LogEntry]) -> tuple[float, float, float | None] | None:
    """The electrode's slope now (%), its change a month, and the months until it is worn.

    By least squares over the calibrations with two buffers and more; None where there are too few of them,
    the months None where the slope does not fall.
    """
    points = []
    for entry in entries:
        if entry.calibration is None:
            continue
        health = electrode_health(entry.calibration.points)
        if health.slope_percent is not None and health.verdict != "suspect":
            points.append((entry.time_ms / _DAY_MS, health.slope_percent))
    if len(points) < CALIBRATING.trend_points:
        return None
    mid_x = sum(x for x, _ in points) / len(points)
    mid_y = sum(y for _, y in points) / len(points)
    spread = sum((x - mid_x) ** 2 for x, _ in points)
    if spread <= 0:
        return None
    a_day = sum((x - mid_x) * (y - mid_y) for x, y in points) / spread
    now = mid_y + a_day * (points[-1][0] - mid_x)
    month = a_day * 365.25 / 12
    months = (
        (now - CALIBRATING.worn_percent) / -month if month < 0 and now > CALIBRATING.worn_percent else None
    )
    return now, month, months
