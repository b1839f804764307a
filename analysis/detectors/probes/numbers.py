"""Numbers of the probe family."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.estimators.units import DAY_MS, HOUR_MS, MINUTE_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["DEAD", "LEAP", "LIGHT_END", "RESTLESS", "STILL"]


class DeadNumbers(Numbers, frozen=True, kw_only=True):
    """Of a probe that gives nothing that can be believed."""

    dead_ms: Annotated[int, Of("ms", "so long without a good value, and the probe is dead")] = 19 * MINUTE_MS
    absent_ms: Annotated[int, Of("ms", "so long no reading at all while other probes report")] = (
        20 * MINUTE_MS
    )
    absent_plug_ms: Annotated[
        int, Of("ms", "the same for the heater's metering plug, whose reports are rarer")
    ] = 60 * MINUTE_MS
    absent_intervals: Annotated[
        float, Of("intervals", "and so many of its own, where its reports are rarer")
    ] = 4.0
    doubted_ms: Annotated[int, Of("ms", "so long without a good value, and it is not judged by")] = (
        2 * MINUTE_MS
    )
    believed_ms: Annotated[int, Of("ms", "good for so long, and it is believed again")] = 4 * MINUTE_MS
    full_scale: Annotated[float, Of("lx", "a light meter's end, in counts", "16 bits, all ones")] = 65535.0
    counts_per_lx: Annotated[
        float, Of("1/lx", "counts of a common digital lux sensor", "BH1750 data sheet, from memory")
    ] = 1.2
    near_edge_temperature_c: Annotated[
        float, Of("°C", "so near the end of the sensible range water may walk out of it")
    ] = 1.5
    near_edge_room_temperature_c: Annotated[float, Of("°C", "the same for the room's air")] = 2.0
    near_edge_ph: Annotated[float, Of("pH", "the same for pH")] = 0.7

    @property
    def end_lx(self) -> float:
        """Where such a sensor's lux end."""
        return self.full_scale / self.counts_per_lx

    def near_edge(self, quantity: str) -> float | None:
        """In the quantity's unit; None for what does not walk."""
        if quantity == "temperature":
            return self.near_edge_temperature_c
        if quantity == "ph":
            return self.near_edge_ph
        return self.near_edge_room_temperature_c if quantity == "room_temperature" else None


class LightEndNumbers(Numbers, frozen=True, kw_only=True):
    """Of a light meter that gives all it can: in the sun, or broken."""

    first_min: Annotated[
        int,
        Of("min", "so long at its end is no sun, if nothing else is known: on one pane it stays for less"),
    ] = 240
    daylight_share: Annotated[
        float, Of("", "of its end: what came there from more light came with the sun, no lamp is as bright")
    ] = 0.5
    longest_min: Annotated[
        int, Of("min", "no sun keeps it there for longer", "midsummer's day at 50 degrees of latitude: 16 h")
    ] = 960
    more_min: Annotated[int, Of("min", "so much longer than on the days before is still the sun")] = 120
    days_kept: Annotated[int, Of("days", "so many days with a stay at its end are remembered")] = 7
    least_lx: Annotated[float, Of("lx", "no meter's own end is lower; lamps over a tank are")] = 35000.0
    same_lx: Annotated[float, Of("lx", "nearer values are the same: whole lux or with decimals")] = 1.0
    rest_min: Annotated[int, Of("min", "daylight is never the same for so long, a meter at its end is")] = 20


class StillNumbers(Numbers, frozen=True, kw_only=True):
    """Of a probe that is stuck: it gives one value for longer than a live one would."""

    start_temperature_min: Annotated[float, Of("min", "a new thermometer's limit in the water")] = 360.0
    start_ph_min: Annotated[float, Of("min", "a new pH electrode's limit")] = 240.0
    start_light_min: Annotated[float, Of("min", "a new light meter's limit")] = 180.0
    start_room_temperature_min: Annotated[float, Of("min", "a new room thermometer's limit")] = 1440.0
    fine_temperature_c: Annotated[
        float,
        Of(
            "°C",
            "those limits are for steps up to this; from one coarser step to the next water takes longer",
            "a 12-bit thermometer steps by 1/16 °C (DS18B20 data sheet, from memory)",
        ),
    ] = 0.0625
    fine_ph: Annotated[float, Of("pH", "the same for pH")] = 0.01
    coarse_temperature_c: Annotated[
        float,
        Of("°C", "a multiple of this, or of half of it, may be of so coarse a probe until it moves by less"),
    ] = 0.5
    coarse_ph: Annotated[float, Of("pH", "the same for pH")] = 0.1
    grid_steps: Annotated[float, Of("steps", "so near a multiple a value is one")] = 0.01
    floor_temperature_min: Annotated[float, Of("min", "no thermometer's limit is shorter")] = 150.0
    floor_ph_min: Annotated[float, Of("min", "no pH electrode's limit is shorter")] = 90.0
    floor_light_min: Annotated[float, Of("min", "no light meter's limit is shorter")] = 60.0
    floor_room_temperature_min: Annotated[float, Of("min", "no room thermometer's limit is shorter")] = 720.0
    gap_intervals: Annotated[
        float, Of("intervals", "after so long without a reading it may have moved, and come back")
    ] = 4.0
    gap_ms: Annotated[int, Of("ms", "and at least so long")] = 20 * MINUTE_MS
    thaws_steps: Annotated[
        float, Of("steps", "a rest that ends with a smaller change was a live one's, however long it was")
    ] = 1.6
    moves_min: Annotated[float, Of("min", "a value younger than this: it moves again")] = 10.0
    dark_lx: Annotated[float, Of("lx", "less is dark, and dark is always still")] = 150.0
    ice_c: Annotated[
        float, Of("°C", "so near 0 °C water freezes and holds its temperature", "ice point, 0 °C")
    ] = 0.3

    def fine(self, quantity: str) -> float | None:
        """The step for which the limits are, in the quantity's unit; None for what has none."""
        steps = {
            "temperature": self.fine_temperature_c,
            "room_temperature": self.fine_temperature_c,
            "ph": self.fine_ph,
        }
        return steps.get(quantity)

    def coarse(self, quantity: str) -> float:
        """A coarse probe's step, of what has a fine one."""
        return self.coarse_ph if quantity == "ph" else self.coarse_temperature_c

    def start_min(self, quantity: str) -> float | None:
        """A new probe's limit in minutes; None for what may be still for ever."""
        if quantity == "temperature":
            return self.start_temperature_min
        if quantity == "ph":
            return self.start_ph_min
        if quantity == "light":
            return self.start_light_min
        return self.start_room_temperature_min if quantity == "room_temperature" else None

    def floor_min(self, quantity: str) -> float:
        """The shortest limit in minutes, of what has one."""
        if quantity == "temperature":
            return self.floor_temperature_min
        if quantity == "ph":
            return self.floor_ph_min
        return self.floor_light_min if quantity == "light" else self.floor_room_temperature_min


class RestlessNumbers(Numbers, frozen=True, kw_only=True):
    """Of a probe that jitters, or whose contact is loose."""

    noisy_blocks: Annotated[int, Of("blocks", "so many restless ones on end, and it is a fault")] = 2
    calm_blocks: Annotated[int, Of("blocks", "so many calm ones on end, and it is believed again")] = 4
    tight_frames: Annotated[
        int, Of("frames", "at most so many failed ones in the last blocks: the contact holds again")
    ] = 1
    fine_jitter: Annotated[float, Of("", "a usual jitter below this is printed to three decimals")] = 0.01


class LeapNumbers(Numbers, frozen=True, kw_only=True):
    """Of a probe that was lifted out of the water, or fell dry."""

    leap_temperature_c: Annotated[float, Of("°C", "no water leaps further")] = 2.0
    leap_ph: Annotated[float, Of("pH", "no water leaps further")] = 0.9
    stirs_temperature_c: Annotated[
        float, Of("°C", "so far within a minute may be a leap: looked at now, and not with the next five")
    ] = 1.0
    stirs_ph: Annotated[float, Of("pH", "the same for pH")] = 0.45
    follow_temperature_ms: Annotated[int, Of("ms", "within this, water may change so far")] = 15 * MINUTE_MS
    follow_ph_ms: Annotated[
        int, Of("ms", "within this: soda poured in moves pH by 0.3 a minute, a probe lifted out leaps")
    ] = 2 * MINUTE_MS
    settle_ms: Annotated[
        int, Of("ms", "within this the level is followed that is remembered of the water")
    ] = 15 * MINUTE_MS
    gap_ms: Annotated[int, Of("ms", "after a longer gap between readings nothing is a leap")] = 20 * MINUTE_MS
    air_ms: Annotated[int, Of("ms", "by then a probe in air has taken on the air's temperature")] = (
        20 * MINUTE_MS
    )
    believed_ms: Annotated[int, Of("ms", "so long at a level that is no air's: it is the water's")] = (
        10 * MINUTE_MS
    )
    home_ms: Annotated[int, Of("ms", "so long a level is kept to which a probe may be put back")] = (
        6 * HOUR_MS
    )
    fell_temperature_ms: Annotated[
        int, Of("ms", "patience after a fall: colder water poured in is warmed again by then")
    ] = 100 * MINUTE_MS
    warms_times: Annotated[
        float,
        Of("", "and so many times as long as the heater takes to warm such water again, if that is more"),
    ] = 1.5
    slow_ms: Annotated[
        int,
        Of(
            "ms",
            "patience where neither heater nor cooler brings new water back and the room is not measured: it "
            "comes back by a degree or more in that time, air does not",
        ),
    ] = 5 * HOUR_MS
    patience_ms: Annotated[int, Of("ms", "patience after any other leap")] = 45 * MINUTE_MS
    new_level_ms: Annotated[int, Of("ms", "so long away and calm, and an electrode's new level is true")] = (
        DAY_MS
    )
    unmeasured_ms: Annotated[
        int, Of("ms", "the same of a thermometer, where the room is not measured: who is told hangs it back")
    ] = 7 * DAY_MS
    drifts_ms: Annotated[
        int, Of("ms", "so long at a level that air only comes by in its day, and it is water's")
    ] = 6 * HOUR_MS
    returns_c: Annotated[float, Of("°C", "so far within minutes: it was hung back, air goes more slowly")] = (
        1.0
    )
    near_temperature_c: Annotated[float, Of("°C", "so near its old level it is back")] = 0.8
    near_ph: Annotated[float, Of("pH", "so near its old level it is back")] = 0.5
    away_ph: Annotated[float, Of("pH", "further from its old level it may be in air")] = 0.8
    air_low_c: Annotated[float, Of("°C", "colder is air, where the room is not measured")] = 5.0
    air_high_c: Annotated[float, Of("°C", "warmer is air, where the room is not measured")] = 40.0
    far_c: Annotated[float, Of("°C", "no water change leaps further, where the room is not measured")] = 6.0
    far_still_c: Annotated[float, Of("°C", "nor so far without being warmed again")] = 4.0
    warmed_c: Annotated[float, Of("°C", "so far back since the leap: warmed again")] = 1.0
    room_gap_c: Annotated[float, Of("°C", "room and water nearer to each other can't be told apart")] = 2.0
    at_room_c: Annotated[float, Of("°C", "so near the room's air the probe is in it")] = 0.8
    at_room_share: Annotated[
        float, Of("", "or so near, as a share of room from water, if it is not warmed again")
    ] = 0.35


DEAD = DeadNumbers()
LIGHT_END = LightEndNumbers()
STILL = StillNumbers()
RESTLESS = RestlessNumbers()
LEAP = LeapNumbers()
