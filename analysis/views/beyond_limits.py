"""What is beyond a limit and no alarm yet: the page and `status` say it with its beginning, by local time.

Read from the detectors' own state and the book of alarms, so what is shown is what is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.gas.numbers import OVERDOSE
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.patience import PATIENCE
from rushlight.analysis.detectors.probes.detector import ProbeDetector
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import QUANTITIES, TEMPERATURE, Flag, Reading

__all__ = ["FRESH_MS", "CheckFacts", "being_checked"]

FRESH_MS = 1_800_000  # an older reading says nothing of now; as long as the detectors keep what they found
_DAY_MS = 86_400_000
_SIDES = (("temperature-high", "over", 1.0), ("temperature-low", "under", -1.0))


class CheckFacts(msgspec.Struct, kw_only=True):
    """One thing that is being checked: the alarm it would be, since when (ms UTC), and the sentence."""

    alarm: str
    quantity: str
    since_ms: int
    text: str


def being_checked(watch: TankWatch, latest: dict[str, Reading], now_ms: int) -> list[CheckFacts]:
    """All of one tank, the earliest first; what is raised, or a person has silenced, is left out.

    Parameters
    ----------
    watch : TankWatch
        As the service left it.
    latest : dict of str to Reading
        The newest reading of each quantity.
    now_ms : int
    """
    shown = {record.alarm for record in watch.book.records().values() if record.standing}
    found = [*_temperature(watch, latest, now_ms), *_gas(watch, now_ms)]
    named = {check.alarm for check in found}
    found += [check for check in _leaps(watch, latest, now_ms) if check.alarm not in shown]
    for (_, alarm, quantity), since in watch.book.pending().items():
        if alarm not in named and not (alarm == "probe-fault" and any(c.quantity == quantity for c in found)):
            probe = QUANTITIES.get(quantity)
            title = rationale_for(alarm).title + (f" ({probe.title})" if probe else "")
            text = f"{title}: seen since {_local(watch, since, now_ms)}, being checked"
            found.append(CheckFacts(alarm=alarm, quantity=quantity, since_ms=since, text=text))
    return sorted((check for check in found if check.alarm not in shown), key=lambda check: check.since_ms)


def _local(watch: TankWatch, time_ms: int, now_ms: int) -> str:
    """A time by the tank's own clock; with its day where that is not the last one."""
    moment = datetime.fromtimestamp(time_ms / 1000, ZoneInfo(watch.tank.settings.timezone))
    return f"{moment:%H:%M}" if now_ms - time_ms < _DAY_MS else f"{moment:%a %d %b %H:%M}"


def _value(latest: dict[str, Reading], quantity: str, now_ms: int) -> float | None:
    reading = latest.get(quantity)
    if reading is None or reading.flag > Flag.NOT_EVALUATED or now_ms - reading.time_ms > FRESH_MS:
        return None
    return reading.value


def _temperature(watch: TankWatch, latest: dict[str, Reading], now_ms: int) -> Iterator[CheckFacts]:
    celsius = _value(latest, TEMPERATURE, now_ms)
    if celsius is None:
        return
    live = watch.tank.settings.livestock
    limits = (live.temperature_high_c, live.temperature_low_c)
    # a cause that is known (a welded heater) says it by its own name
    standing = watch.book.standing()
    if standing & {"heater-stuck-on", "heater-not-heating", "cooling-not-cooling"}:
        return
    past = watch.of(TemperatureDetector).limits.past_ms
    for (alarm, word, sign), limit, since in zip(_SIDES, limits, past, strict=True):
        if sign * (celsius - limit) <= 0:
            continue
        begin = since if since >= 0 else latest[TEMPERATURE].time_ms
        text = (
            f"water {celsius:.1f} °C, {word} the limit of {limit:g} °C since "
            f"{_local(watch, begin, now_ms)}, being checked"
        )
        yield CheckFacts(alarm=alarm, quantity="", since_ms=begin, text=text)


def _gas(watch: TankWatch, now_ms: int) -> Iterator[CheckFacts]:
    detector = watch.of(CarbonDioxideDetector)
    read = detector.read
    limit = watch.tank.settings.livestock.co2_limit_mg_l
    if read is None or now_ms - read.time_ms > FRESH_MS or read.gas.mg_l <= limit:
        return
    gas, over = read.gas, detector.overdose.over
    begin = over if over >= 0 else read.time_ms
    text = (
        f"CO2 about {gas.mg_l:.0f} mg/L, over the limit of {limit:g} since {_local(watch, begin, now_ms)}, "
    )
    usual = detector.curve.usual_low
    if gas.errors_above(limit) < PATIENCE.from_errors:
        text += "but by less than the estimate may be off: test pH and KH with drop tests"
    elif usual is not None and read.ph > usual - OVERDOSE.usual_ph:
        text += (
            f"but this tank's pH goes down to {usual:.2f} on its usual days: test pH and KH with drop tests"
        )
    else:
        text += "being checked"
    yield CheckFacts(alarm="co2-overdose", quantity="", since_ms=begin, text=text)


def _leaps(watch: TankWatch, latest: dict[str, Reading], now_ms: int) -> Iterator[CheckFacts]:
    for name, health in watch.of(ProbeDetector).health.items():
        value = _value(latest, name, now_ms)
        if value is None or health.jump_ms < 0 or health.fault:
            continue
        info = QUANTITIES[name]
        text = (
            f"{info.title} leapt from {health.jump_from:.{info.decimals}f} to {value:.{info.decimals}f} "
            f"{info.printed_unit}".rstrip()
            + f" at {_local(watch, health.jump_ms, now_ms)}, faster than water can: being checked"
        )
        yield CheckFacts(alarm="probe-fault", quantity=name, since_ms=health.jump_ms, text=text)
