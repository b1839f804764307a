"""The room around the tank: its temperature through the day and through a cold spell, and its window."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

__all__ = ["Room", "RoomDesign", "Surroundings", "Wander", "sun_elevation_sine"]

DAY_MS = 86_400_000


@dataclass(frozen=True)
class Surroundings:
    """The room at one moment."""

    room_c: float
    window_lux: float = 0.0
    air_co2_ppm: float = 700.0
    local_minute: float = 0.0  # minutes after local midnight, by a right clock


@dataclass(frozen=True)
class RoomDesign:
    """An ordinary room; a cold spell takes `spell_drop_k` off its temperature."""

    mean_c: float = 17.0
    daily_swing_k: float = 1.2  # half of the way from coldest to warmest
    warmest_minute: float = 16 * 60
    wander_k: float = 0.25  # doors, cooking, draughts: standard deviation
    spell_start_ms: int = 0
    spell_end_ms: int = 0
    spell_drop_k: float = 0.0
    latitude_deg: float = 58.4
    longitude_deg: float = 26.7
    window_lux: float = 420.0  # at the probe, clear sky, sun overhead
    air_co2_ppm: float = 700.0


def sun_elevation_sine(time_ms: int, latitude_deg: float, longitude_deg: float) -> float:
    """Sine of the sun's elevation, to a degree or so.

    Cooper 1969, Solar Energy 12:333 for the declination; the equation of time (up to 16 min) is left out.
    """
    days = time_ms / DAY_MS
    # day of the year from 1970-01-01: a year of 365.2425 days drifts by less than a day
    day_of_year = days % 365.2425 + 1
    declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + day_of_year) / 365)
    hour_angle = 2 * math.pi * (days % 1 - 0.5) + math.radians(longitude_deg)
    latitude = math.radians(latitude_deg)
    upright = math.sin(latitude) * math.sin(declination)
    return upright + math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)


class Wander:
    """An Ornstein-Uhlenbeck process: a value that strays and keeps returning to its mean.

    `spread` is its standard deviation in the long run, `tau_s` how long it remembers.
    """

    def __init__(self, rng: random.Random, mean: float, spread: float, tau_s: float) -> None:
        self._rng = rng
        self._mean = mean
        self._spread = spread
        self._tau_s = tau_s
        self.value = mean

    def advance(self, dt_s: float) -> float:
        """The value `dt_s` later (exact for any step)."""
        keep = math.exp(-dt_s / self._tau_s)
        kick = self._spread * math.sqrt(1 - keep * keep) * self._rng.gauss(0.0, 1.0)
        self.value = self._mean + (self.value - self._mean) * keep + kick
        return self.value


class Room:
    """The room as time goes by; `at` must be called with times that do not step back."""

    def __init__(self, design: RoomDesign, utc_offset_s: int, seed: int) -> None:
        self.design = design
        self._offset_s = utc_offset_s
        rng = random.Random(seed)
        self._wander = Wander(rng, 0.0, design.wander_k, 5400)
        self._cloud = Wander(rng, 0.5, 0.25, 3600)
        self._last_ms: int | None = None

    def at(self, now_ms: int) -> Surroundings:
        """The surroundings at one moment."""
        design = self.design
        dt_s = 0.0 if self._last_ms is None else (now_ms - self._last_ms) / 1000
        self._last_ms = now_ms
        clear_sky = min(max(self._cloud.advance(dt_s), 0.1), 1.0)
        minute = ((now_ms / 1000 + self._offset_s) / 60) % 1440
        daily = design.daily_swing_k * math.cos(2 * math.pi * (minute - design.warmest_minute) / 1440)
        chill = design.spell_drop_k * self._spell(now_ms)
        room_c = design.mean_c + daily + self._wander.advance(dt_s) - chill
        sun = max(0.0, sun_elevation_sine(now_ms, design.latitude_deg, design.longitude_deg))
        return Surroundings(
            room_c=room_c,
            window_lux=design.window_lux * sun * clear_sky,
            air_co2_ppm=design.air_co2_ppm,
            local_minute=minute,
        )

    def _spell(self, now_ms: int) -> float:
        """0 outside the cold spell, 1 deep inside; a day's ramp at either end, for walls cool slowly."""
        design = self.design
        if design.spell_end_ms <= design.spell_start_ms:
            return 0.0
        into = min(now_ms - design.spell_start_ms, design.spell_end_ms - now_ms) / DAY_MS
        share = min(max(into, 0.0), 1.0)
        return share * share * (3 - 2 * share)
