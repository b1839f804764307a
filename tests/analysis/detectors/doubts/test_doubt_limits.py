"""Where a setting begins to be in doubt: just inside each rule and just outside.

Days and nights are given as they are. Common practice, no source, where nothing else is named; CO2 is by
`rushlight.analysis.physics.water`, which test_water.py checks.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from rushlight.analysis.detectors.doubts.hardness import GasDays
from rushlight.analysis.detectors.doubts.lamp_hours import LampTimes, Switching, _astray
from rushlight.analysis.detectors.doubts.resting_water import RestWater
from rushlight.analysis.detectors.doubts.setpoint import ThermostatHold
from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.moment import GasFacts, Moment, Tank
from rushlight.analysis.physics.carbon_dioxide import log_error
from rushlight.analysis.physics.water import air_equilibrium_mg_l, carbon_dioxide_mg_l
from rushlight.collector.settings import parse_settings

MINUTE = 60_000
DAY = 1440
BEGAN = 1_772_323_200_000
KH = 4.0
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\nco2_limit_mg_l = 30\n"
)
WATER = f"[tanks.sill.water]\ncarbonate_hardness_dkh = {KH}\n"
GAS = '[tanks.sill.co2]\nsource = "cylinder"\non = "10:00"\noff = "18:00"\n'
LIGHT = '[tanks.sill.light]\non = "10:00"\noff = "18:00"\ntolerance_min = 10\n'


def tank_of(more: str = WATER) -> Tank:
    return Tank("sill", parse_settings(TEXT + more).tanks["sill"])


def moment(minute: float = 0, day: int = 20512, active: str = "", **seen: Any) -> Moment:
    now = BEGAN + round(minute * MINUTE)
    values = {"temperature": 24.0, "room": None, "ph": 7.0, "light": None, "heater": None} | seen
    frame = Frame(now, now + MINUTE, *values.values(), {})
    return Moment(frame, day, minute % DAY, True, {active} if active else set())


def ph_of(mg_l: float) -> float:
    """The pH at which the water holds that, by halving."""
    low, high = 4.0, 9.5
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if carbon_dioxide_mg_l(middle, KH, 24.0) > mg_l else (low, middle)
    return high


# -- a hardness by which nothing could live ---------------------------------------------------------


def days(*most: float, values: int = 250, more: str = WATER, gas: GasDays | None = None) -> GasDays:
    """Days of so many mg/L of CO2 by the settings, from morning to night."""
    gas, tank = gas or GasDays(), tank_of(more)
    for mg_l in most:
        gas.day, gas.values = gas.day + 1, [ph_of(mg_l)] * values
        gas._close(tank, KH)
    return gas


def test_after_how_many_days_of_how_much() -> None:
    assert days(40, 40).found is None and days(40, 40, 40).found is not None
    assert days(*[38.7] * 3).found is None and days(*[39.3] * 3).found is not None
    assert days(*[40] * 3, values=199).found is None and days(*[40] * 3, values=200).found is not None


def test_the_days_are_alike() -> None:
    """Within a quarter of a pH: a factor of 1.78."""
    assert days(40, 40, 40 * 10**0.24).found is not None and days(40, 40, 40 * 10**0.26).found is None


def test_what_nobody_survives_for_three_days_is_no_overdose() -> None:
    assert not days(*[74] * 3).settled and days(*[76] * 3).settled


@pytest.mark.parametrize(("mg_l", "doubt"), [(5.9, True), (6.1, False)])
def test_what_settles_the_doubt(mg_l: float, doubt: bool) -> None:
    """Twice what the water holds before the gas comes on; less is one day a little nearer."""
    gas = days(*[2.0] * 3, more=WATER + GAS)
    assert gas.found is not None
    assert (days(mg_l, more=WATER + GAS, gas=gas).found is not None) is doubt


@pytest.mark.parametrize(("mg_l", "said"), [(9.6, "9.6 mg/L"), (10.6, "be 11 mg/L")])
def test_small_figures_are_said_with_a_decimal(mg_l: float, said: str) -> None:
    assert said in GasDays()._finding(KH, 5.0, mg_l, 6.5, 1).observations[1]


# -- resting water ----------------------------------------------------------------------------------


def rests(about: Moment, more: str = WATER) -> bool:
    return RestWater()._resting(tank_of(more), about)


def test_when_water_rests() -> None:
    """From two to seven where no gas is given; else six hours after it."""
    assert not rests(moment(119)) and rests(moment(120)) and rests(moment(419)) and not rests(moment(420))
    gas = WATER + GAS
    assert not rests(moment(1439), gas) and rests(moment(1440), gas)
    for swing, rest in ((0.49, True), (0.51, False)):
        about = moment(200)
        about.gas = GasFacts(swing=swing)
        assert rests(about) is rest
    for stepped, rest in ((0.055, True), (0.065, False), (-0.065, False)):
        about = moment(200)
        about.current.ph_stepped = stepped
        assert rests(about) is rest


@pytest.mark.parametrize(("slope", "flat"), [(0.019, True), (-0.019, True), (0.021, False)])
def test_flat_water(slope: float, flat: bool) -> None:
    water, about = RestWater(), moment(200)
    about.gas = GasFacts(slope_2h=slope)
    water.update(tank_of(), about)
    assert (water.candidate is not None) is flat


def nights(
    mg_l: float, count: int = 3, more: str = WATER, lowest: float = 5.0, ph_error: float = 0.1
) -> bool:
    """Whether the KH is in doubt after so many nights in which it would make that of the pH."""
    water, tank = RestWater(lowest=lowest), tank_of(more)
    for day in range(count):
        rest = (day, ph_of(mg_l), 24.0)
        water.rests.append(rest)
        water._judge(tank, rest, ph_error)
    return water.found is not None


def test_how_much_resting_water_holds_at_most() -> None:
    """A room of 1500 ppm and a full tank's breathing; two and a half standard errors: 1.2 % of nights."""
    most = (air_equilibrium_mg_l(24.0, 1500) + 5) * math.exp(2.5 * log_error(0.1, KH))
    assert nights(1.02 * most) and not nights(most / 1.02) and not nights(1.02 * most, 2)


def test_how_little_it_holds_at_least() -> None:
    least = air_equilibrium_mg_l(24.0) / math.exp(2.5 * log_error(0.1, KH))
    assert nights(least / 1.02) and not nights(1.02 * least)


def test_gas_must_have_been_seen_to_go_and_come() -> None:
    rest = ph_of(60)
    assert nights(60, more=WATER + GAS, lowest=rest - 0.16)
    assert not nights(60, more=WATER + GAS, lowest=rest - 0.14)


def test_the_resting_ph_is_of_five_nights() -> None:
    def resting(*ph: float) -> float | None:
        return RestWater(rests=[(n, one, 24.0) for n, one in enumerate(ph)]).resting_ph

    assert resting(7.0, 7.1) is None and resting(7.0, 7.1, 7.2) == 7.1
    assert resting(6.0, 6.1, 7.0, 7.1, 7.2, 7.3, 7.4) == 7.2 and resting(6.0, 6.0, 7.0, 7.1, 7.2) == 7.0
    water = RestWater()
    for n in range(12):
        water.candidate = (n, 7.0, 24.0)
        water._slow(tank_of(), moment(800))
    assert [day for day, _, _ in water.rests] == list(range(5, 12))


# -- a setpoint -------------------------------------------------------------------------------------


def held(
    *lows: float,
    setpoint: float | None = 25.0,
    room: float | None = 15.0,
    comes_on: float | None = None,
    values: int = 288,
    **known: Any,
) -> ThermostatHold:
    """Days on which the heater held that."""
    hold = ThermostatHold()
    for day, low in enumerate(lows):
        hold.day, hold.values, hold.warmest_room = day, [low] * values, room
        for name, value in known.items():
            setattr(hold, name, value)
        hold._close(setpoint, comes_on)
    return hold


def test_how_far_off_a_setpoint_is() -> None:
    assert held(*[26.55] * 3).found and not held(*[26.45] * 3).found and not held(*[26.55] * 2).found
    assert held(*[23.45] * 3).found and not held(*[23.55] * 3).found


def test_days_that_are_held_are_alike() -> None:
    assert held(27.0, 27.0, 27.48).found and not held(27.0, 27.0, 27.52).found


def test_what_makes_a_day() -> None:
    assert held(*[27.0] * 3, values=250).found and not held(*[27.0] * 3, values=249).found
    assert held(*[27.0] * 3, spoilt=12).found and not held(*[27.0] * 3, spoilt=13).found
    assert held(*[27.0] * 3, stuck=12).found and not held(*[27.0] * 3, stuck=13).found
    hold = ThermostatHold(day=0, values=[20.0 + n / 100 for n in range(400)], warmest_room=10.0)
    hold._close(25.0, None)
    assert hold.holds[0][1] == 21.0  # a quarter of its values are lower


def test_whether_the_heater_held_it() -> None:
    assert held(*[27.0] * 3, room=25.45).found and not held(*[27.0] * 3, room=25.55).found
    assert held(*[23.0] * 3, room=19.95).found and not held(*[23.0] * 3, room=20.05).found
    assert held(*[27.0] * 3, room=None, comes_on=26.35).found
    assert not held(*[27.0] * 3, room=None, comes_on=26.25).found


def test_whether_the_meter_shows_that_it_governs() -> None:
    for heating, governs in ((14, False), (16, True), (269, True), (271, False)):
        assert bool(held(*[27.0] * 3, metered=300, heating=heating).found) is governs
    assert not held(*[27.0] * 3, metered=250, heating=100, room=26.0).found
    assert held(*[27.0] * 3, metered=251, heating=100, room=26.0).found


@pytest.mark.parametrize(
    ("peak", "watts", "heats"), [(100, 29, 0), (100, 31, 1), (3.2, 3.2, 0), (3.4, 3.4, 1)]
)
def test_which_power_heats(peak: float, watts: float, heats: int) -> None:
    hold = ThermostatHold(peak_watts=peak)
    about = moment(heater=watts)
    hold.day = about.day
    hold._slow(about, 25.0, None)
    assert hold.heating == heats


def test_seven_held_days_are_kept_and_five_are_shown() -> None:
    hold = held(20.0, 21.0, 22.0, 23.0, 24.0, 25.0, 26.0, 27.0, 28.0, 29.0, room=10.0, setpoint=None)
    assert [low for _, low, _ in hold.holds] == [23.0, 24.0, 25.0, 26.0, 27.0, 28.0, 29.0]
    assert hold.held_c == 27.0 and held(27.0, 28.0).held_c is None


# -- the lamp's hours -------------------------------------------------------------------------------


def test_how_far_off_a_lamps_hours_are() -> None:
    hours = ((600.0, 1080.0),)
    assert not _astray(hours, ((629.0, 1080.0),), 1) and _astray(hours, ((631.0, 1080.0),), 1) == [600.0]


def test_a_switching_at_its_time() -> None:
    """The timer's tolerance of ten minutes, and five more."""
    for minute, fits in ((614, [600.0]), (616, [])):
        times, about = LampTimes(), moment(minute, light=500.0)
        about.lamp.edge, about.lamp.edge_ms, about.lamp.level_lx = 1, BEGAN + minute * MINUTE, 500.0
        about.lamp.clear = True
        times.update(tank_of(LIGHT), about)
        assert times.on.fitted == fits


@pytest.mark.parametrize(("days", "apart", "fits"), [(1, 0, False), (2, 9, True), (2, 11, False)])
def test_a_clouds_edge_fits_only_where_it_comes_again(days: int, apart: int, fits: bool) -> None:
    times = LampTimes()
    for day in range(days):
        minute = 1440 * day + 600 + apart * day
        about = moment(minute, light=500.0)
        about.lamp.edge, about.lamp.edge_ms, about.lamp.level_lx = 1, BEGAN + minute * MINUTE, 500.0
        times.update(tank_of(LIGHT), about)
    assert bool(times.on.fitted) is fits


def strays(count: int, minute: float) -> bool:
    """Whether hours of 10:40 to 18:40 that were told are no longer so, after switchings at another time."""
    light = tank_of(LIGHT).settings.light
    assert light is not None
    times = LampTimes(told=[640.0, 1120.0], fitted=[0, 0])
    for _ in range(count):
        times._judge(moment(minute), ((600.0, 1080.0),), light, 1, minute)
    return not times.told


def test_when_a_lamp_is_no_longer_as_it_was_told() -> None:
    assert not strays(3, 660) and strays(4, 660)
    assert not strays(9, 654) and strays(9, 656)


@pytest.mark.parametrize(("minutes", "explains"), [(60, True), (61, False)])
def test_a_lamp_that_is_out_against_its_own_habit(minutes: int, explains: bool) -> None:
    tank = tank_of(LIGHT)
    times = LampTimes(told=[640.0, 1120.0], setting="light.on", since_ms=BEGAN)
    said: list[Any] = []
    for n in range(minutes):
        about = moment(700 + n, light=5.0)
        about.lamp.on, about.lamp.level_lx = False, 500.0
        if n == 0:
            times.update(tank, about)  # takes up the settings, and forgets
            times.told, times.setting = [640.0, 1120.0], "light.on"
            times.astray = 0
        said = times.update(tank, about)
    assert ("light-missing" in said[0].explains) is explains


def test_how_many_switchings_are_kept() -> None:
    one = Switching()
    for day in range(20):
        one.add(day, 600.0)
    assert [day for day, _ in one.edges] == [14, 15, 16, 17, 18, 19]
    for minute in range(100):
        one.add(20, float(minute))
    assert len(one.edges) == 40


def lamp_days(others: int, days: int = 4) -> Switching:
    """The lamp at 600 each day, and so many clouds at other times of it, each day others."""
    one = Switching()
    for day in range(days):
        one.add(day, 600.0)
        for n in range(others):
            one.add(day, 700.0 + 47 * ((3 * n + 5 * day) % 11))
    return one


def test_where_clouds_make_many_edges_a_row_of_days_says_less() -> None:
    """Of c a day, c · (c · 20 min / 480 min)^(days - 1) rows are expected: 0.05 is c = 5.1 for four days."""
    for others, days, seen in (
        (0, 3, True),
        (3, 3, True),
        (4, 3, False),
        (5, 4, True),
        (6, 4, False),
        (7, 5, False),
    ):
        found = lamp_days(others, days).usual(True, 10.0)
        assert ((600.0, days) in found) is seen


def test_the_newest_day_has_only_begun() -> None:
    """Its one edge so far is no sign of days without clouds."""
    clouds = lamp_days(9, 3)
    clouds.add(3, 600.0)
    assert (600.0, 4) not in clouds.usual(True, 10.0)
    clear = lamp_days(1, 3)
    clear.add(3, 600.0)
    assert (600.0, 4) in clear.usual(True, 10.0)
