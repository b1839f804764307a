"""All points of leaving: read from the store, the settings and what was typed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from datetime import datetime
from statistics import median
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rushlight.analysis.absence.forecasts import (
    FINE,
    LOOK,
    STAY,
    Point,
    cooler_point,
    cut_point,
    heater_point,
    lamp_point,
    room_point,
    water_points,
)
from rushlight.analysis.absence.supply import decline, supply_point, supply_shares
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.service.reach import reach_of_service
from rushlight.analysis.views.electrode_drift import calibration_due
from rushlight.analysis.views.fact_types import Facts
from rushlight.analysis.views.facts import carbon_dioxide_now, collect_facts, trust_now
from rushlight.analysis.views.two_waters import tank_water
from rushlight.analysis.watch.saved import watch_of
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import RushlightError
from rushlight.collector.readings import LIGHT, PH, PH_PROBE, ROOM_TEMPERATURE, TEMPERATURE, Flag
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["Leaving", "leaving_points"]

_DAY_MS = 86_400_000
_FRESH_MS = 3_600_000
_TRIED_DAYS = 31  # a test alarm is no older; common practice, no source
_LOOK_BACK_DAYS = 14
_ROOM_DAYS = 7  # of readings, before the room's coldest and warmest are taken from them: common practice


class Leaving(NamedTuple):
    """What was typed: days away, °C of the room, litres a day, days that the CO2 supply still lasts."""

    days: float
    room_low_c: float | None = None
    room_high_c: float | None = None
    evaporates_l: float | None = None
    co2_days: float | None = None


def leaving_points(
    settings: Settings, store: EmbeddedStore, name: str, leaving: Leaving, now_ms: int
) -> list[Point]:
    """Every point of one tank; StoreError where the store can't be read."""
    watch, trouble = watch_of(name, settings.tanks[name], store)
    facts = collect_facts(settings, store, now_ms)
    points = list(_now(facts, store, name, watch, leaving, now_ms))
    if trouble:
        points.append(Point("analysis", LOOK, trouble))
    points += _heat(store, name, watch, leaving, now_ms)
    log = store.log(name)
    points += _gas(watch, log, leaving, now_ms)
    points += _lamp(store, name, watch, leaving, now_ms)
    tests = [(e.time_ms / _DAY_MS, e.tests["kh"]) for e in log if "kh" in e.tests]
    kh = tests[-1][1] if tests else settings.tanks[name].water.carbonate_hardness_dkh
    points += water_points(
        [one for one in tests if one[0] > now_ms / _DAY_MS - 60],
        kh,
        leaving.days,
        settings.tanks[name].volume_litres,
        leaving.evaporates_l,
    )
    points += _machine(settings, store, name, leaving, facts.process is not None, now_ms)
    return points


def _now(
    facts: Facts, store: EmbeddedStore, name: str, watch: TankWatch, leaving: Leaving, now_ms: int
) -> Iterator[Point]:
    tank = next(one for one in facts.tanks if one.name == name)
    raised = [alarm.title for alarm in tank.alarms if alarm.raised]
    silenced = [a.title for a in tank.alarms if a.state in ("shelved", "out of service", "out-of-service")]
    yield Point(
        "alarms", STAY if raised else FINE, f"{len(raised)} active" + "".join(f"; {t}" for t in raised)
    )
    if silenced:
        yield Point("silenced alarms", STAY, f"{', '.join(silenced)}: nobody would be called; end that first")
    yield Point(
        "service",
        FINE if facts.process is not None else STAY,
        f"running, process {facts.process}"
        if facts.process is not None
        else "`rushlight run` is not running",
    )
    if not any(reading.quantity == TEMPERATURE for reading in tank.readings):
        yield Point("probes", STAY, "no water temperature" if tank.readings else "no readings at all")
    for reading in tank.readings:
        old = reading.age_ms > _FRESH_MS
        state = "last seen too long ago" if old else reading.remark or "well"
        answer = STAY if old and reading.quantity == TEMPERATURE else LOOK if old or reading.remark else FINE
        yield Point(f"probe: {reading.title}", answer, f"{reading.printed}, {state}")
    latest = store.latest(name)
    if PH in latest or PH_PROBE in latest:
        trust = trust_now(watch, latest, now_ms)
        due = calibration_due(store.log(name), now_ms)
        words = trust.words or f"calibrated within the month, ± {trust.error:.2f} pH"
        well = trust.state == "calibrated"
        if well and due is not None and due.left_days < leaving.days:
            well, words = False, f"{words}; due in {max(0, due.left_days)} days, before the return"
        yield Point("pH calibration", FINE if well else LOOK, words)
    yield _tried(store, name, now_ms)


def _tried(store: EmbeddedStore, name: str, now_ms: int) -> Point:
    """A test alarm that somebody has answered: the whole way to the phone and back."""
    since = now_ms - _TRIED_DAYS * _DAY_MS
    tests = [event for event in store.events(tank=name, since_ms=since) if event.test]
    answered = [event for event in tests if event.event == "acknowledged"]
    if answered:
        return Point("alarm to the phone", FINE, f"tested and answered on {answered[-1].time[:10]}")
    if tests:
        return Point("alarm to the phone", LOOK, f"tested on {tests[-1].time[:10]}, and nobody answered it")
    return Point(
        "alarm to the phone",
        STAY,
        f"not tested for {_TRIED_DAYS} days: `rushlight try co2-overdose`, answer it",
    )


def _heat(
    store: EmbeddedStore, name: str, watch: TankWatch, leaving: Leaving, now_ms: int
) -> Iterator[Point]:
    tank, settings = watch.tank, watch.tank.settings
    room, since_ms = [], now_ms
    for reading in store.readings(name, ROOM_TEMPERATURE, now_ms - _LOOK_BACK_DAYS * _DAY_MS):
        if reading.value is not None and reading.flag < Flag.SUSPECT:
            room.append(reading.value)
            since_ms = min(since_ms, reading.time_ms)
    if room and now_ms - since_ms < _ROOM_DAYS * _DAY_MS:
        room = []  # a day or two say nothing of the coldest
    low = leaving.room_low_c if leaving.room_low_c is not None else min(room, default=None)
    high = leaving.room_high_c if leaving.room_high_c is not None else max(room, default=None)
    heat = watch.of(TemperatureDetector)
    model, learnt = heat.model, heat.learnt
    tau = model.time_constant_h(settings.volume_litres)
    heater, cooler = settings.heater, settings.cooler
    found = heater_point(
        None if heater is None else heater.watts,
        None if heater is None else heater.setpoint_c,
        low,
        tau,
        tank.heat_capacity_j_per_k,
        model.learnt,
        learnt.get("heats_c_per_h"),
    )
    if found is not None:
        yield found
    elif low is None or low < settings.livestock.temperature_low_c:
        said = "not known: --room-low" if low is None else f"{low:.1f} °C, below what the animals bear"
        yield Point("cold room", LOOK if low is None else STAY, f"no heater; the coldest room is {said}")
    bears = settings.livestock.temperature_high_c
    if cooler is None:
        yield room_point(high, bears)
    else:
        pull, copes = (learnt.get(f"cooler_{name}") for name in ("bends_by_c_per_h", "copes_with_room_c"))
        yield cooler_point(high, cooler.setpoint_c, bears, tau, model.learnt, pull, copes)
    water = tank_water(store, name, "", now_ms).celsius
    yield cut_point(water, low, tau, settings.livestock.temperature_low_c, model.learnt)


def _gas(watch: TankWatch, log: Sequence[LogEntry], leaving: Leaving, now_ms: int) -> Iterator[Point]:
    co2 = watch.tank.settings.co2
    if co2 is None:
        return
    gas = carbon_dioxide_now(watch, now_ms)
    if gas is None or abs(gas.age_ms) > _DAY_MS:
        yield Point("CO2", LOOK, "no estimate of the last day: pH and KH are needed")
    else:
        answer = STAY if gas.mg_l > gas.limit_mg_l else LOOK if gas.high_mg_l > gas.limit_mg_l else FINE
        yield Point("CO2", answer, f"{gas.mg_l:.0f} (up to {gas.high_mg_l:.0f}) of {gas.limit_mg_l:g} mg/L")
    curve = watch.of(CarbonDioxideDetector).curve.extremes
    timed = co2.on is not None and co2.control == "hours"
    filled = [(now_ms - entry.time_ms) / _DAY_MS for entry in log if "refilled" in entry.done]
    given = supply_shares(curve.lows, curve.highs, timed)
    if filled:  # days before the last filling are another supply's
        given = given[-max(1, int(filled[-1])) :]
    yield supply_point(leaving.co2_days, filled, decline(given), co2.source, leaving.days)


def _lamp(
    store: EmbeddedStore, name: str, watch: TankWatch, leaving: Leaving, now_ms: int
) -> Iterator[Point]:
    light = watch.tank.settings.light
    if light is None:
        return
    clock, days = watch.tank.clock, dict[int, list[tuple[float, float]]]()
    for reading in store.readings(name, LIGHT, now_ms - _LOOK_BACK_DAYS * _DAY_MS):
        if reading.value is not None and reading.flag < Flag.SUSPECT:
            day, minute = clock.local(reading.time_ms)
            days.setdefault(day, []).append((minute, reading.value))
    # half of what the lamp usually gives: today it may not have been on yet, and daylight is no lamp
    half = median(max(value for _, value in rows) for rows in days.values()) / 2 if days else 0.0
    edges = []
    for day, rows in sorted(days.items()):
        first = next((minute for minute, value in rows if value > half), None)
        if first is not None and rows[0][1] <= half:
            edges.append((float(day), first))
    late = watch.of(LampDetector).drift.shift
    yield lamp_point(edges, late, light.tolerance_min, leaving.days)


def _reached(settings: Settings, name: str, running: bool, now_ms: int) -> Iterator[Point]:
    """Notice targets and heartbeat of the running service; without one, what is set in this shell."""
    notices = settings.notices
    if not running:
        for title, variable, answer in (
            ("heartbeat", notices.heartbeat_url_env, LOOK),
            ("notices", notices.urls_env, STAY),
        ):
            there = bool(os.environ.get(variable))
            words = f"{variable} is {'' if there else 'not '}set in this shell; no service runs to be asked"
            yield Point(title, LOOK if there else answer, words)
        return
    try:
        reach = reach_of_service(settings, name)
    except RushlightError as error:
        yield Point("heartbeat and notices", LOOK, f"the service can't be asked: {error}")
        return
    if not reach.heartbeat:
        words = f"not set in the service ({notices.heartbeat_url_env}): nobody would notice"
        yield Point("heartbeat", LOOK, f"{words} if this machine stopped")
    elif reach.failed or reach.answered_ms < 0:
        yield Point("heartbeat", LOOK, "its address does not answer" if reach.failed else "not answered yet")
    else:
        minutes = max(0, now_ms - reach.answered_ms) // 60_000
        late = minutes > 2 * notices.heartbeat_min + 2
        yield Point("heartbeat", LOOK if late else FINE, f"answered {minutes} min ago")
    if reach.targets:
        yield Point("notices", FINE, f"the service has {reach.targets} target{'s' * (reach.targets > 1)}")
    else:
        yield Point("notices", STAY, f"the service has no target ({notices.urls_env}): alarms reach nobody")


def _machine(
    settings: Settings, store: EmbeddedStore, name: str, leaving: Leaving, running: bool, now_ms: int
) -> Iterator[Point]:
    free = shutil.disk_usage(store.path.parent).free / 1e6
    firsts = [next((r.time_ms for r in store.readings(name, q)), now_ms) for q in store.quantities(name)]
    known_days = max(1.0, (now_ms - min(firsts, default=now_ms)) / _DAY_MS)
    need = store.path.stat().st_size / 1e6 / known_days * leaving.days + 50
    yield Point(
        "store",
        FINE if free > 2 * need else LOOK if free > need else STAY,
        f"{free:.0f} MB free, {need:.0f} needed",
    )
    yield from _reached(settings, name, running, now_ms)
    waiting = store.pending_notices()
    if waiting:
        zone = ZoneInfo(settings.tanks[name].timezone)
        since = datetime.fromtimestamp(min(one.created_ms for one in waiting) / 1000, zone)
        yield Point("notices that wait", LOOK, f"{len(waiting)} since {since:%Y-%m-%d %H:%M}")
