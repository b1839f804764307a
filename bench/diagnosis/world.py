"""A random tank, its room, its clock and the days around it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from bench.diagnosis.tank import STEP_S, Array, Drive, Tank

NAMES = (
    "alcove",
    "bench",
    "landing",
    "study",
    "pantry",
    "porch",
    "attic",
    "windowsill",
    "parlour",
    "workshop",
)
ZONES = (
    "Europe/Lisbon",
    "Europe/Berlin",
    "Europe/Helsinki",
    "America/New_York",
    "America/Denver",
    "Asia/Tokyo",
    "Australia/Brisbane",
)  # the last two keep no daylight saving
CHANGES = {  # first days of daylight saving and of standard time (UTC dates), tzdata
    "Europe": (dt.date(2026, 3, 29), dt.date(2026, 10, 25)),
    "America": (dt.date(2026, 3, 8), dt.date(2026, 11, 1)),
}
HOUR = 3600 // STEP_S
DAY = 24 * HOUR


@dataclass
class World:
    """One run in the making. `local` is minutes after local midnight at each step."""

    rng: np.random.Generator
    tank: Tank
    zone: str
    start: dt.datetime
    days: int
    local: Array
    offset_min: Array  # UTC offset at each step
    drive: Drive
    sun_lux: Array
    evening_lux: Array
    lamp_timer: Array  # minutes the lamp's timer runs late, each step
    valve_timer: Array
    lamp_output: Array  # 1 = as set
    source_output: Array  # 1 = as set
    quiet_days: float
    room_warm: float  # typical room, °C
    notes: list[str] = field(default_factory=list)
    probes: list[dict[str, Any]] = field(default_factory=list)  # what probes do wrong, see probes.py
    silences: list[tuple[int, int]] = field(default_factory=list)  # steps without any report
    wrong: dict[str, float] = field(default_factory=dict)  # what the owner writes wrongly into the settings
    # what only some kinds of tank have; see `worlds/`
    setup: dict[str, Any] = field(default_factory=dict)  # probes and settings that are fixed beforehand
    lines: dict[str, list[str]] = field(default_factory=dict)  # more lines of a table of the settings
    excused: list[str] = field(default_factory=list)  # alarms that are true in such a tank
    true_spans: list[tuple[str, int, int]] = field(
        default_factory=list
    )  # and those that are true for a while
    held: list[tuple[int, int, bool]] = field(default_factory=list)  # sent at the end; True: newest first
    held_most: int = 0  # reports that the board can hold
    tap_kh: float = 0.0  # of what is poured in; 0: near the tank's
    change_every: int = 0  # days between water changes; 0: as drawn
    periods: list[tuple[int, int]] = field(default_factory=list)  # of the lamp, where it has several a day
    weekend: list[tuple[int, int]] = field(default_factory=list)
    night_level: float = 0.0  # a weak light that is meant, share of full light

    @property
    def n(self) -> int:
        return len(self.local)

    def step_of_day(self, day: int, minute: float) -> int:
        """Step at which local time is `minute` on the day-th day of the run."""
        candidates = np.flatnonzero(np.abs(self.local[day * DAY : (day + 2) * DAY] - minute) < 1)
        return int(day * DAY + candidates[0]) if len(candidates) else day * DAY


def make_world(rng: np.random.Generator, days: int, quiet: float, needs: dict[str, Any]) -> World:
    """A tank that can show the fault of `needs`, in a room, with schedules; no faults or nuisances yet."""
    dst = bool(needs.get("dst")) or (rng.random() < 0.25)
    zone = str(rng.choice(ZONES[:5] if dst else ZONES))
    start_date = dt.date(2026, 1, 3) + dt.timedelta(days=int(rng.integers(*needs.get("season", (0, 330)))))
    if dst and "season" not in needs:
        change = CHANGES[zone.split("/")[0]][int(rng.integers(0, 2))]
        ahead = int(quiet) + 1 if needs.get("dst") else int(rng.integers(2, 9))
        start_date = change - dt.timedelta(days=ahead)
    info = ZoneInfo(zone)
    start = dt.datetime.combine(start_date, dt.time(int(rng.integers(0, 24)), int(rng.integers(0, 60))), info)
    start = start.astimezone(dt.UTC)
    n = days * DAY
    hours = np.array(
        [_offset_min(start + dt.timedelta(hours=float(h)), info) for h in np.arange(0, days * 24 + 1, 0.25)]
    )
    offset = hours[(np.arange(n) * STEP_S // 900)]
    minutes_utc = start.hour * 60 + start.minute + np.arange(n) * STEP_S / 60
    local = (minutes_utc + offset) % 1440
    tank = _tank(rng, needs)
    south = zone.startswith("Australia")
    season = -np.cos(2 * np.pi * (start.timetuple().tm_yday - 15) / 365) * (
        -1 if south else 1
    )  # -1 midwinter
    room, typical = _room(rng, tank, local, season, needs)
    # a heater must hold the tank on an ordinary day, as its owner will have seen to
    if tank.heater_w:
        worst = tank.setpoint - float(room.min())
        tank.loss = min(tank.loss, 0.85 * (tank.heater_w + tank.pump_w) / max(worst, 1.0))
    zeros, ones = np.zeros(n), np.ones(n)
    people = 480 + 250 * rng.random() + 200 * np.sin(2 * np.pi * (local - rng.uniform(0, 1440)) / 1440)
    drive = Drive(
        room=room,
        lamp=zeros.copy(),
        sun_heat=zeros.copy(),
        air_ppm=np.maximum(people, 420),
        dose=zeros.copy(),
        mains=ones.copy(),
        heater_gain=ones.copy(),
        heater_forced=zeros.copy(),
        heater_shift=zeros.copy(),
        cooler_gain=ones.copy(),
        loss_gain=ones.copy(),
        uptake_gain=ones.copy(),
        exchange_gain=ones.copy(),
        alkalinity_rate=zeros.copy(),
    )
    sun = _sun(rng, local, days, season)
    drive.sun_heat = sun * tank.volume ** (2 / 3) * 2e-5 * rng.uniform(0.3, 1.5)
    evening = np.where(
        (local > rng.uniform(420, 1050)) & (local < rng.uniform(1200, 1430)), rng.uniform(0, 90), 0.0
    )
    slow = rng.normal(0, 0.15)  # minutes a day a mechanical timer may lose
    timer = rng.uniform(-2.5, 2.5) + slow * np.arange(n) / DAY
    return World(
        rng,
        tank,
        zone,
        start,
        days,
        local,
        offset,
        drive,
        sun,
        evening,
        timer,
        timer + rng.uniform(-2, 2),
        ones.copy(),
        ones.copy(),
        quiet,
        typical,
    )


def _offset_min(at: dt.datetime, info: ZoneInfo) -> float:
    offset = at.astimezone(info).utcoffset()
    assert offset is not None
    return offset.total_seconds() / 60


def _tank(rng: np.random.Generator, needs: dict[str, Any]) -> Tank:
    volume = float(np.round(np.exp(rng.uniform(*np.log(needs.get("volume", (20, 300)))))))
    still = rng.random() < 0.4
    area = 6.2 * (volume / 1000) ** (2 / 3)
    source = str(
        needs.get("source") or rng.choice(["cylinder", "yeast", "citric-acid", ""], p=[0.55, 0.2, 0.1, 0.15])
    )
    cooler = str(needs.get("cooler") or rng.choice(["", "fan", "chiller"], p=[0.75, 0.18, 0.07]))
    heater = needs.get("heater", rng.random() < 0.88)
    setpoint = float(np.round(rng.uniform(20.5, 26) * 2) / 2)
    length = float(rng.integers(12, 22) * 30)
    on = float(rng.integers(14, 30) * 30) if rng.random() < 0.93 else float(rng.integers(36, 44) * 30)
    ramp = float(rng.choice([0, 0, 0, 0, 10, 15, 30, 45, 60]))
    limit = float(rng.choice([25, 30, 30, 30, 35]))
    lead = float(rng.integers(2, 8) * 15)
    return Tank(
        name=str(rng.choice(NAMES)),
        volume=volume,
        loss=area * rng.uniform(6, 11),
        mix_s=rng.uniform(1200, 3600) if still else rng.uniform(150, 500),
        setpoint=setpoint,
        heater_w=max(float(np.round(volume * rng.uniform(0.5, 1.2) / 5) * 5), 10.0) if heater else 0.0,
        hysteresis=rng.uniform(0.25, 1.0),
        lamp_heat_w=volume * rng.uniform(0.1, 0.5) * rng.uniform(0.15, 0.45),
        pump_w=rng.uniform(1, 6),
        cooler=cooler,
        cooler_setpoint=setpoint + rng.uniform(1.0, 2.5),
        cooler_hysteresis=rng.uniform(0.3, 1.0),
        cooler_strength=area * rng.uniform(8, 18) if cooler == "fan" else volume * rng.uniform(0.7, 1.6),
        wet_bulb_gap=rng.uniform(3.0, 6.5),
        kh=rng.uniform(2, 9) if rng.random() < 0.9 else rng.uniform(1, 14),
        ionic=rng.uniform(0.002, 0.01),
        exchange=rng.uniform(0.1, 0.2) if still else rng.uniform(0.25, 0.7),
        uptake=rng.uniform(0.5, 3.0),
        respiration=rng.uniform(0.1, 0.5),
        source=source,
        co2_on=int((on - lead) % 1440),
        co2_off=int((on + length - rng.integers(0, 5) * 15) % 1440),
        lamp_lux=rng.uniform(2000, 15000),
        lamp_on=int(on),
        lamp_off=int((on + length) % 1440),
        ramp=ramp,
        co2_target=limit * rng.uniform(0.45, 0.8),
        co2_limit=limit,
    )


def _room(
    rng: np.random.Generator, tank: Tank, local: Array, season: float, needs: dict[str, Any]
) -> tuple[Array, float]:
    n = len(local)
    cold = rng.random() < 0.25
    typical = (
        (rng.uniform(13, 17.5) if cold else rng.uniform(18, 21.5))
        + 3.0 * season * rng.random()
        + 1.5 * season
    )
    if needs.get("room") == "cold":  # a heater matters only where the room is cooler than the water
        typical = min(typical, tank.setpoint - rng.uniform(3, 8))
    elif needs.get("room") == "warm":  # a cooler only where it would get too warm
        typical = tank.cooler_setpoint + rng.uniform(0.0, 2.5)
    swing = rng.uniform(0.3, 2.2)
    day_wave = swing * np.sin(2 * np.pi * (local - rng.uniform(500, 640)) / 1440)
    setback = np.where((local < 390) | (local > 1350), -rng.uniform(0, 1.5), 0.0)
    setback = _smooth(setback, 2 * HOUR)
    slow = _noise(rng, n, 30 * HOUR, rng.uniform(0.2, 1.1))
    quick = _noise(rng, n, HOUR, rng.uniform(0.03, 0.2))
    return typical + day_wave + setback + slow + quick, float(typical)


def _noise(rng: np.random.Generator, n: int, steps: float, sigma: float) -> Array:
    """Wandering noise of standard deviation `sigma` and correlation time `steps`, smooth between knots."""
    gap = max(int(steps / 4), 1)
    knots = n // gap + 3
    decay = np.exp(-0.25)
    values = np.empty(knots)
    values[0] = rng.normal()
    shocks = rng.normal(size=knots) * np.sqrt(1 - decay**2)
    for i in range(1, knots):
        values[i] = decay * values[i - 1] + shocks[i]
    return sigma * np.interp(np.arange(n) / gap, np.arange(knots), values)


def _smooth(x: Array, steps: int) -> Array:
    kernel = np.ones(steps) / steps
    return np.convolve(np.pad(x, (steps, steps), mode="edge"), kernel, mode="same")[steps:-steps]


def _sun(rng: np.random.Generator, local: Array, days: int, season: float) -> Array:
    """Sunlight at the lux meter through a window: some tanks get none, some an hour or three."""
    n = len(local)
    if rng.random() < 0.35:
        return np.zeros(n)
    centre, width = rng.uniform(560, 960), rng.uniform(40, 150)
    beam = np.exp(-0.5 * ((local - centre) / width) ** 2) * rng.uniform(100, 7000) * (0.65 + 0.35 * season)
    sky = np.clip(np.sin(np.pi * (local - 400) / 700), 0, None) * rng.uniform(10, 250)
    cloud = np.clip(0.6 + _noise(rng, n, HOUR / 3, 0.45) + _noise(rng, n, 20 * HOUR, 0.3), 0.05, 1.0)
    return np.maximum((beam + sky) * cloud, 0.0)
