"""The simulated tank's balances against solutions that can be written down."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from rushlight.simulator.chemistry import CO2_MG_PER_MOL, constants
from rushlight.simulator.faults import (
    air_stone,
    apply_faults,
    empty_cylinder,
    heater_dead,
    heater_welded,
    power_cut,
    reactor_surge,
    timer_set_right,
    timer_slipping,
)
from rushlight.simulator.room import Room, RoomDesign, sun_elevation_sine
from rushlight.simulator.tank import Controls, LampTimer, Surroundings, Tank, TankDesign

BARE = TankDesign(
    heater_watts=0.0, lamp_watts=0.0, injection_mg_l_h=0.0, uptake_mg_l_h=0.0, respiration_mg_l_h=0.0
)


def _run(tank: Tank, hours: float, around: Surroundings, step_s: float = 10.0) -> None:
    for _ in range(round(hours * 3600 / step_s)):
        tank.step(step_s, around)


@pytest.mark.parametrize("step_s", [5.0, 60.0])
def test_cooling_is_newtons(step_s: float) -> None:
    """Lumped capacitance: T = T_room + (T0 - T_room) exp(-UA t / C).

    Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5 (from memory). 45 L of water at 4182
    J/(kg K) and 11 kg of glass at 840 J/(kg K), UA 4.5 W/K: after 10 h from 24 °C in a room of 14 °C.
    """
    tank = Tank(BARE, 24.0, 10.0)
    _run(tank, 10, Surroundings(room_c=14.0), step_s)
    capacity = 45 * 4182 + 11 * 840
    assert tank.temperature_c == pytest.approx(14 + 10 * math.exp(-4.5 * 36_000 / capacity), abs=1e-6)


def test_heater_rests_where_loss_equals_power() -> None:
    """Steady state of the same balance: T = T_room + P / UA = 14 + 45 / 4.5 = 24 °C."""
    tank = Tank(replace(BARE, heater_watts=45.0), 20.0, 10.0)
    tank.controls.heater_welded = True
    _run(tank, 200, Surroundings(room_c=14.0), 60)
    assert tank.temperature_c == pytest.approx(24.0, abs=0.01)


def test_thermostat_energy_equals_loss() -> None:
    """First law: over a long time the heater gives what the glass loses, 4.5 W/K times 8 K = 36 W."""
    tank = Tank(replace(BARE, heater_watts=75.0), 23.0, 10.0)
    around = Surroundings(room_c=15.0)
    joules, before = 0.0, tank.temperature_c
    loss = 0.0
    for _ in range(6 * 24 * 60):
        tank.step(10, around)
        joules += tank.heater_w * 10
        loss += 4.5 * (tank.temperature_c - 15.0) * 10
        assert 22.7 < tank.temperature_c < 23.3
    stored = tank.design.heat_capacity * (tank.temperature_c - before)
    assert joules == pytest.approx(loss + stored, rel=0.001)
    assert joules / 86_400 == pytest.approx(36.0, rel=0.05)


def test_degassing_ends_at_henrys_law() -> None:
    """Left alone, water ends at CO2 = K_H p. Plummer & Busenberg 1982: log K_H = -1.4069 at 20 °C."""
    tank = Tank(replace(BARE, gas_exchange_per_h=1.0), 20.0, 30.0)
    _run(tank, 120, Surroundings(room_c=20.0, air_co2_ppm=420.0), 60)
    assert tank.co2_mg_l == pytest.approx(10**-1.4069 * 420e-6 * CO2_MG_PER_MOL, rel=0.01)


def test_injection_and_gas_exchange_balance() -> None:
    """Dark steady state of the balance: injection = k (CO2 - CO2eq), so CO2 = CO2eq + 5 / 0.25 mg/L."""
    tank = Tank(replace(BARE, injection_mg_l_h=5.0, gas_exchange_per_h=0.25), 20.0, 10.0)
    _run(tank, 48, Surroundings(room_c=20.0), 60)
    equilibrium = constants(20.0, tank.alkalinity).henry * 700e-6 * CO2_MG_PER_MOL
    assert tank.co2_mg_l == pytest.approx(equilibrium + 20.0, rel=0.005)


def test_plants_take_co2_in_light_only() -> None:
    light, dark = (Tank(TankDesign(), 23.0, 18.0) for _ in range(2))
    _run(light, 4, Surroundings(room_c=17.0, local_minute=14 * 60))
    _run(dark, 4, Surroundings(room_c=17.0, local_minute=2 * 60))
    assert light.co2_mg_l < 18.0 < dark.co2_mg_l
    assert light.ph > dark.ph


def test_each_fault_acts_and_ends() -> None:
    day = 86_400_000
    faults = [
        reactor_surge(0, day, 3.0),
        empty_cylinder(day, 2 * day),
        heater_dead(0, day),
        heater_welded(day, 2 * day),
        air_stone(0, day, 2.0),
        power_cut(2 * day, 3 * day),
    ]
    first, second, third = (apply_faults(faults, n * day) for n in range(3))
    assert (first.reactor_factor, first.heater_dead, first.aeration) == (3.0, True, 2.0)
    assert (second.cylinder_empty, second.heater_welded, second.heater_dead) == (True, True, False)
    assert not third.mains
    assert apply_faults(faults, 3 * day) == Controls()


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
    tank = Tank(TankDesign(), 23.0, 15.0)
    tank.timer = timer
    tank.controls = apply_faults([timer_set_right(0), timer_slipping(60_000, 120_000)], 0)
    tank.step(10, Surroundings(room_c=17.0, local_minute=12 * 60 + 1))
    assert tank.lux > 1000


def test_power_cut_stops_heater_lamp_and_timer_but_no_reactor() -> None:
    tank = Tank(TankDesign(), 20.0, 15.0)
    tank.controls.mains = False
    around = Surroundings(room_c=15.0, local_minute=13 * 60)
    _run(tank, 2, around)
    assert tank.heater_w == 0.0
    assert tank.lux == 0.0
    assert tank.timer.error_min == pytest.approx(120)
    assert tank.co2_mg_l > 15.0


def test_fan_cools_below_a_hot_room() -> None:
    """Steady state with the fan always on: T = T_room - P / UA = 30 - 25 / 4.5 K."""
    tank = Tank(replace(BARE, fan_setpoint_c=20.0), 30.0, 5.0)
    _run(tank, 200, Surroundings(room_c=30.0), 60)
    assert tank.temperature_c == pytest.approx(30 - 25 / 4.5, abs=0.02)


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
