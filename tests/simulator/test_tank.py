"""The simulated tank's balances against solutions that can be written down."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from rushlight.simulator.chemistry import ALKALINITY_PER_DKH, CO2_MG_PER_MOL, Constants, air_co2, ph_of
from rushlight.simulator.conditions import FROZEN, OPEN, SHUT, Conditions, Poured
from rushlight.simulator.design import TankDesign
from rushlight.simulator.devices import Controls, DeviceDesign, Devices, LampTimer
from rushlight.simulator.faults import (
    Fault,
    air_stone,
    apply_faults,
    empty_reactor,
    heater_dead,
    heater_welded,
    lamp_dead,
    power_cut,
    reactor_surge,
    timer_set_right,
    timer_slipping,
)
from rushlight.simulator.room import Room, RoomDesign, Surroundings, sun_elevation_sine
from rushlight.simulator.tank import Tank

LOSS, VOLUME = 4.5, 45.0
BARE = TankDesign(
    volume=VOLUME,
    loss=LOSS,
    mix_s=200.0,
    setpoint=23.0,
    heater_w=0.0,
    hysteresis=0.5,
    lamp_heat_w=0.0,
    pump_w=0.0,
    kh=4.0,
    ionic=4 * ALKALINITY_PER_DKH,
    exchange=0.25,
    uptake=0.0,
    respiration=0.0,
)
HEATED = replace(BARE, heater_w=75.0)


def _run(tank: Tank, hours: float, now: Conditions, step_s: float = 10.0) -> None:
    for _ in range(round(hours * 3600 / step_s)):
        tank.step(step_s, now)


@pytest.mark.parametrize("step_s", [5.0, 60.0])
def test_cooling_is_newtons(step_s: float) -> None:
    """Lumped capacitance: T = T_room + (T0 - T_room) exp(-UA t / C).

    Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory). 45 L of water at 4180
    J/(L K), UA 4.5 W/K: after 10 h from 24 °C in a room of 14 °C.
    """
    tank = Tank(BARE, 24.0, 10.0)
    _run(tank, 10, Conditions(room=14.0), step_s)
    expected = 14 + 10 * math.exp(-LOSS * 36_000 / (VOLUME * 4180))
    assert tank.temperature_c == pytest.approx(expected, abs=0.003)  # what steps of a minute cost


def test_heater_rests_where_loss_equals_power() -> None:
    """Steady state of the same balance: T = T_room + P / UA = 14 + 45 / 4.5 = 24 °C."""
    tank = Tank(replace(BARE, heater_w=45.0), 20.0, 10.0)
    _run(tank, 200, Conditions(room=14.0, heater_forced=1.0), 60)
    assert tank.heat.mean_c == pytest.approx(24.0, abs=0.01)
    assert tank.heat.near_c > tank.temperature_c  # it is warmest around the heater


def test_thermostat_energy_equals_loss() -> None:
    """First law: over a long time the heater gives what the glass loses, about 4.5 W/K times 8 K = 36 W."""
    tank = Tank(HEATED, 23.0, 10.0)
    now = Conditions(room=15.0)
    joules, before = 0.0, tank.heat.mean_c
    loss = 0.0
    for _ in range(6 * 24 * 60):
        loss += LOSS * (tank.heat.mean_c - 15.0) * 10
        tank.step(10, now)
        joules += tank.heat.watts * 10
        assert 22.6 < tank.temperature_c < 23.3
    stored = VOLUME * 4180 * (tank.heat.mean_c - before)
    assert joules == pytest.approx(loss + stored, rel=0.001)
    assert joules / 86_400 == pytest.approx(36.0, rel=0.05)


def test_two_zones_mix_as_two_capacities_do() -> None:
    """Without losses a difference falls as exp(-t/τ), τ = C₁C₂ / ((C₁ + C₂) UA): two lumps, the same book."""
    tank = Tank(replace(BARE, loss=1e-9), 20.0, 10.0)
    tank.heat.near_c = 25.0
    _run(tank, 100 / 3600, Conditions(room=20.0), 1)
    time_constant_s = 0.4 * 0.6 * 200.0
    left = 5 * math.exp(-100 / time_constant_s)
    assert tank.heat.near_c - tank.heat.far_c == pytest.approx(left, rel=0.03)
    assert tank.heat.mean_c == pytest.approx(22.0, abs=1e-6)


def test_degassing_ends_at_henrys_law() -> None:
    """Left alone, water ends at CO2 = K_H p. Plummer & Busenberg 1982: log K_H = -1.4069 at 20 °C."""
    tank = Tank(replace(BARE, exchange=1.0), 20.0, 30.0)
    _run(tank, 120, Conditions(room=20.0, air_ppm=420.0), 60)
    assert tank.co2_mg_l == pytest.approx(10**-1.4069 * 420e-6 * CO2_MG_PER_MOL, rel=0.01)
    assert air_co2(20.0, 420.0, BARE.ionic) == pytest.approx(tank.co2_mg_l, rel=0.01)


def test_supply_and_gas_exchange_balance() -> None:
    """Dark steady state of the balance: supply = k (CO2 - CO2eq), so CO2 = CO2eq + 5 / 0.25 mg/L."""
    tank = Tank(BARE, 20.0, 10.0)
    _run(tank, 48, Conditions(room=20.0, dose=5.0), 60)
    equilibrium = Constants(20.0, BARE.ionic).henry * 700e-6 * CO2_MG_PER_MOL
    assert tank.co2_mg_l == pytest.approx(equilibrium + 20.0, rel=0.005)
    assert tank.ph == pytest.approx(ph_of(4.0, BARE.ionic, 20.0, tank.co2_mg_l), abs=0.001)


def test_plants_take_co2_in_light_only() -> None:
    planted = replace(BARE, uptake=3.4, respiration=0.7)
    light, dark = (Tank(planted, 23.0, 18.0) for _ in range(2))
    _run(light, 4, Conditions(room=23.0, dose=4.4, lamp=1.0))
    _run(dark, 4, Conditions(room=23.0, dose=4.4))
    assert light.co2_mg_l < 18.0 < dark.co2_mg_l
    assert light.ph > dark.ph


def test_water_poured_in_mixes_by_its_share() -> None:
    """Of hardness, carbon and warmth a third is the new water's (conservation)."""
    tank = Tank(BARE, 24.0, 20.0)
    tank.pour(Poured(1 / 3, 18.0, 1.0, 2.0))
    assert tank.heat.mean_c == pytest.approx(24 - 6 / 3)
    assert tank.gas.kh == pytest.approx(4 - 3 / 3)
    _run(tank, 1 / 360, Conditions(room=22.0))
    # dissolved gas mixes, too, but for the little that bicarbonate gives or takes
    assert tank.co2_mg_l == pytest.approx(20 * 2 / 3 + 2 / 3, rel=0.03)


def test_ph_controller_holds_its_setpoint_until_its_valve_sticks() -> None:
    """Held within its deadband; stuck open it ends where supply and exchange balance: 30 + 0.5 mg/L."""
    held = ph_of(4.0, BARE.ionic, 23.0, 20.0)
    controlled = replace(BARE, ph_setpoint=held, ph_hysteresis=0.04)
    found = {}
    for mode in (OPEN, SHUT, None):
        tank = Tank(controlled, 23.0, 20.0)
        for step in range(3 * 1440):
            now = Conditions(room=23.0, dose=7.5)
            tank.step(60, now if mode is None or step < 1440 else now._replace(valve_mode=mode))
        found[mode] = tank.co2_mg_l
    assert found[None] == pytest.approx(20.0, rel=0.08)
    assert found[OPEN] == pytest.approx(30.0 + air_co2(23.0, 700.0, BARE.ionic), rel=0.01)
    assert found[SHUT] == pytest.approx(air_co2(23.0, 700.0, BARE.ionic), rel=0.01)
    tank = Tank(controlled, 23.0, 10.0)
    tank.step(60, Conditions(room=23.0, dose=7.5))  # open, since there is too little gas
    _run(tank, 48, Conditions(room=23.0, dose=7.5, valve_mode=FROZEN), 60)
    assert tank.co2_mg_l == pytest.approx(found[OPEN], rel=0.01)


def test_soil_takes_hardness_down_to_its_floor() -> None:
    """First order: what is above the floor falls as exp(-rate t)."""
    tank = Tank(replace(BARE, soil_rate=1 / 24), 23.0, 20.0)
    _run(tank, 24, Conditions(room=23.0, soil_floor=1.0), 60)
    assert tank.gas.kh == pytest.approx(1 + 3 * math.exp(-1), rel=0.01)


def test_each_fault_acts_and_ends() -> None:
    day = 86_400_000
    faults = [
        reactor_surge(0, day, 3.0),
        empty_reactor(day, 2 * day),
        heater_dead(0, day),
        heater_welded(day, 2 * day),
        lamp_dead(day, 2 * day),
        air_stone(0, day, 2.0),
        power_cut(2 * day, 3 * day),
    ]
    first, second, third = (apply_faults(faults, n * day) for n in range(3))
    assert (first.reactor_factor, first.heater_dead, first.aeration) == (3.0, True, 2.0)
    assert (second.reactor_empty, second.heater_welded, second.heater_dead) == (True, True, False)
    assert second.lamp_dead
    assert not third.mains
    assert apply_faults(faults, 3 * day) == Controls()


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (None, Conditions(room=17.0, lamp=1.0, dose=4.4)),
        (reactor_surge(0, 1, 3.0), Conditions(room=17.0, lamp=1.0, dose=3 * 4.4)),
        (empty_reactor(0, 1), Conditions(room=17.0, lamp=1.0, dose=0.0)),
        (heater_dead(0, 1), Conditions(room=17.0, lamp=1.0, dose=4.4, heater_gain=0.0)),
        (heater_welded(0, 1), Conditions(room=17.0, lamp=1.0, dose=4.4, heater_forced=1.0)),
        (lamp_dead(0, 1), Conditions(room=17.0, lamp=0.0, dose=4.4)),
        (air_stone(0, 1, 2.0), Conditions(room=17.0, lamp=1.0, dose=4.4, exchange_gain=2.0)),
        (power_cut(0, 1), Conditions(room=17.0, lamp=0.0, dose=4.4, mains=0.0)),
    ],
)
def test_what_a_fault_does_to_the_tank(fault: Fault | None, expected: Conditions) -> None:
    around = Surroundings(room_c=17.0, local_minute=14 * 60)
    now = Devices(DeviceDesign()).step(10, around, apply_faults([fault] if fault else [], 0))
    assert now._asdict() == pytest.approx(expected._asdict())


def test_fault_that_ends_before_it_starts_is_refused() -> None:
    with pytest.raises(ValueError, match="must end after it starts"):
        heater_dead(10, 10)


def test_slipping_timer_is_late_until_it_is_set() -> None:
    """Eight minutes a day for two days: 16 minutes late, by arithmetic."""
    timer = LampTimer(12 * 60, 20 * 60)
    for _ in range(2 * 1440):
        timer.advance(60, mains=True, slip_min_per_day=8.0)
    assert timer.error_min == pytest.approx(16.0)
    assert not timer.is_on(12 * 60 + 15.9)
    assert timer.is_on(12 * 60 + 16.1)
    assert timer.is_on(20 * 60 + 15.9)
    devices = Devices(DeviceDesign())
    devices.timer = timer
    noon = Surroundings(room_c=17.0, local_minute=12 * 60 + 1)
    assert devices.step(10, noon, Controls()).lamp == 0.0
    devices.step(10, noon, apply_faults([timer_set_right(0), timer_slipping(60_000, 120_000)], 0))
    assert devices.lux > 1000


def test_lamp_timer_past_midnight() -> None:
    timer = LampTimer(22 * 60, 2 * 60)
    assert [timer.is_on(60 * hour) for hour in (21, 22, 23, 0, 1, 2)] == [
        False,
        True,
        True,
        True,
        True,
        False,
    ]


def test_power_cut_stops_heater_lamp_and_timer_but_no_reactor() -> None:
    devices = Devices(DeviceDesign())
    tank = Tank(HEATED, 20.0, 15.0)
    around = Surroundings(room_c=15.0, local_minute=13 * 60)
    for _ in range(720):
        tank.step(10, devices.step(10, around, Controls(mains=False)))
    assert tank.heat.heat_called
    assert tank.heat.watts == 0.0
    assert devices.lux == 0.0
    assert devices.timer.error_min == pytest.approx(120)
    assert tank.co2_mg_l > 15.0


def test_fan_cools_below_a_hot_room() -> None:
    """Steady state with the fan always on: UA (T_room - T) = F (T - T_room + gap), so 30 - 5 F / (UA + F)."""
    fan = replace(BARE, cooler="fan", cooler_setpoint=20.0, cooler_strength=6.0, wet_bulb_gap=5.0)
    tank = Tank(fan, 30.0, 5.0)
    _run(tank, 200, Conditions(room=30.0), 60)
    assert tank.temperature_c == pytest.approx(30 - 5 * 6.0 / (LOSS + 6.0), abs=0.02)
    still = Tank(fan, 30.0, 5.0)
    _run(still, 20, Conditions(room=30.0, cooler_gain=0.0), 60)
    assert still.heat.cool_called
    assert still.temperature_c == pytest.approx(30.0, abs=0.01)


@pytest.mark.parametrize(("latitude", "elevation_deg"), [(0.0, 90.0), (40.0, 50.0), (60.0, 30.0)])
def test_sun_is_where_it_should_be(latitude: float, elevation_deg: float) -> None:
    """At the March equinox (2026-03-20) the noon sun's elevation is 90° - latitude, by definition."""
    noon_ms = int(datetime(2026, 3, 20, 12, tzinfo=UTC).timestamp() * 1000)
    sine = sun_elevation_sine(noon_ms, latitude, 0.0)
    assert math.degrees(math.asin(sine)) == pytest.approx(elevation_deg, abs=3)
    assert sun_elevation_sine(noon_ms + 43_200_000, latitude, 0.0) < 0


def test_cold_spell_takes_the_room_down_and_lets_it_come_back() -> None:
    day = 86_400_000
    design = RoomDesign(wander_k=0.0, spell_start_ms=day, spell_end_ms=5 * day, spell_drop_k=4.0)
    room = Room(design, 0, 1)
    before, deep, after = (room.at(n).room_c for n in (day // 2, 3 * day + day // 2, 6 * day + day // 2))
    assert before - deep == pytest.approx(4.0)
    assert after == pytest.approx(before)
