"""Water that was poured in, by the step of its temperature, and what share of the tank it was.

Held to the heat balance of two waters, `T = (V1·T1 + V2·T2) / (V1 + V2)`, worked by hand beside each. What
is no water (a probe in a hand, a cooler, a heater) is next to the same frames with water. Edges: common
practice, no source.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.heat.detector import TemperatureDetector
from rushlight.analysis.detectors.heat.new_water import NewWater, Pour
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.views.pours_seen import unnoted_pours
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Reading
from rushlight.collector.settings import TankSettings, parse_settings
from rushlight.collector.store.log_entry import LogEntry

MINUTE = 60_000
BEGAN = 1_772_323_200_000
TEXT = (
    '[tanks.sill]\nvolume_litres = 60\ntimezone = "UTC"\n'
    "[tanks.sill.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
    "[tanks.sill.heater]\nsetpoint_c = 24\nwatts = 60\n"
)


def settings(tap_c: float | None = None) -> TankSettings:
    water = "" if tap_c is None else f"[tanks.sill.water]\ntap_temperature_c = {tap_c}\n"
    return parse_settings(TEXT + water).tanks["sill"]


TANK = Tank("sill", settings())
TAP = Tank("sill", settings(15.0))
HEATS = TANK.heating_rate_c_per_h  # 60 W in 60 L of water and a tenth more: 0.78 °C/h
KNOWN: Any = SimpleNamespace(model=SimpleNamespace(usual_fall=lambda: None), cycle=SimpleNamespace(heat=None))


def moment(minute: float) -> Moment:
    now = BEGAN + round(minute * MINUTE)
    return Moment(Frame(now, now + MINUTE, None, None, None, None, None, {}), 0, 800.0, True, set())


def flat(celsius: float, minutes: int) -> list[float]:
    return [celsius] * minutes


def course(start: float, by: float, minutes: int) -> list[float]:
    """Evenly to `start + by`."""
    return [start + by * (n + 1) / minutes for n in range(minutes)]


def poured(values: list[float], gap_min: int = 20, step_min: float = 1.0) -> tuple[NewWater, list[Pour]]:
    """What is found in values, one a minute."""
    water, found = NewWater(), []
    for n, celsius in enumerate(values):
        water.ended = None
        water.look(TANK, moment(n * step_min), celsius, gap_min * MINUTE, KNOWN)
        if water.ended is not None:
            found.append(water.ended)
    return water, found


def test_a_fifth_of_cold_water_by_heat_and_by_share() -> None:
    # 48 L at 24 °C and 12 L at 15 °C: 22.2 °C
    _, found = poured([*flat(24.0, 30), *course(24.0, -1.8, 8), *course(22.2, HEATS / 3, 20)])
    (pour,) = found
    assert pour.began_ms == pytest.approx(BEGAN + 30 * MINUTE, abs=2 * MINUTE)
    assert pour.before_c == pytest.approx(24.0, abs=0.05)
    # a heater that worked for these eight minutes hid 0.1 °C at most
    assert -1.8 - HEATS * 9 / 60 <= pour.step_c <= -1.8 and pour.error_c < 0.06
    share = NewWater().share(TAP, pour)
    assert share is not None and share[0] == pytest.approx(0.2, abs=0.01)
    # a tap that is known to 2 °C of 9: 22 % of the share either way, and twice that for 95 %
    assert share[1] == pytest.approx(0.2 * (1 - 1.96 * 2 / 9), abs=0.012)
    assert share[2] == pytest.approx(0.2 * (1 + 1.96 * 2 / 9), abs=0.012)


def test_warm_water_steps_up_and_bucket_after_bucket_is_one_change() -> None:
    rises = [*flat(22.0, 30)]
    for _ in range(4):  # every ten minutes 5 % at 34 °C: 0.6 °C each, a little less as it warms
        rises += [*course(rises[-1], 0.05 * (34 - rises[-1]), 2), *flat(rises[-1], 0)]
        rises += flat(rises[-1], 8)
    _, (pour,) = poured([*rises, *flat(rises[-1], 20)])
    assert pour.step_c == pytest.approx(rises[-1] - 22.0, abs=0.25) and pour.step_c > 0
    hot = NewWater(taught=[(1, 34.0)]).share(TANK, pour)
    assert hot is not None and hot[0] == pytest.approx(1 - 0.95**4, abs=0.02)


def test_a_probe_in_a_hand_is_no_water() -> None:
    """It comes back faster than the heater warms; what stays is water."""
    away = [*flat(24.0, 30), *course(24.0, -1.8, 4), *flat(22.2, 5)]
    assert not poured([*away, *course(22.2, 1.8, 4), *flat(24.0, 30)])[1]
    assert poured([*away, *flat(22.2, 30)])[1]
    # within the time that it must stay away: up to 0.3 of the step
    for back, seen in ((0.52, True), (0.56, False)):
        assert bool(poured([*away, *course(22.2, back, 9), *flat(22.2 + back, 30)])[1]) is seen, back


def test_what_heater_or_room_can_do_is_no_water() -> None:
    """Half as fast again as they ever go, over twelve minutes, and 0.3 °C beyond."""
    # noise 0.03 four times, 0.6 °C/h · 1.5 · 0.2 h = 0.18: 0.60 °C down; up 0.78 · 1.5 · 0.2 = 0.235: 0.655
    for change, seen in ((-0.57, False), (-0.63, True), (0.62, False), (0.69, True)):
        values = [*flat(24.0, 30), *course(24.0, change, 11), *flat(24.0 + change, 30)]
        assert bool(poured(values)[1]) is seen, change
    # the same over half an hour is the room's
    assert not poured([*flat(24.0, 30), *course(24.0, -0.63, 30), *flat(23.37, 30)])[1]


def test_a_hot_day_or_a_heater_that_goes_on_is_no_water() -> None:
    began = [*flat(24.0, 30), *course(24.0, 0.8, 6)]
    for minutes, seen in ((95, True), (105, False)):
        values = [*began, *course(24.8, 0.02 * minutes, minutes), *flat(24.8 + 0.02 * minutes, 30)]
        assert bool(poured(values)[1]) is seen, minutes


def test_it_is_over_when_it_has_gone_no_further_for_a_quarter_of_an_hour() -> None:
    values = [*flat(24.0, 30), *course(24.0, -1.0, 5)]
    assert not poured([*values, *flat(23.0, 14)])[1] and poured([*values, *flat(23.0, 16)])[1]


def test_a_gap_in_the_reports_hides_what_happened() -> None:
    values = [*flat(24.0, 30), *course(24.0, -1.8, 8), *flat(22.2, 20)]
    for gap, seen in ((19, True), (21, False)):
        water, found = NewWater(), 0
        for n, celsius in enumerate(values):
            water.ended = None
            water.look(TANK, moment(n + (gap - 1 if n > 38 else 0)), celsius, 20 * MINUTE, KNOWN)
            found += water.ended is not None
        assert bool(found) is seen, gap


def test_reports_every_five_minutes_are_enough() -> None:
    values = [24.0] * 6 + [23.1, 22.2] + [22.25] * 6
    (pour,) = poured(values, step_min=5.0)[1]
    assert pour.step_c == pytest.approx(-1.8, abs=0.15)


def test_a_noted_share_teaches_the_taps_temperature() -> None:
    water, (pour,) = poured([*flat(24.0, 30), *course(24.0, -1.8, 8), *flat(22.2, 20)])
    assert water.share(TANK, pour) is None  # nobody has said how cold the tap is
    water.note(BEGAN + 60 * MINUTE, 0.2)
    new = water.celsius(TANK)
    assert new is not None and new[0] == pytest.approx(15.0, abs=0.6)
    again = Pour(BEGAN + 5 * 24 * 60 * MINUTE, 24.0, -0.9, 0.05)
    share = water.share(TANK, again)
    assert share is not None and share[0] == pytest.approx(0.1, abs=0.01)
    water.forget_note(BEGAN + 60 * MINUTE)
    assert water.celsius(TANK) is None and water.celsius(TAP) == (15.0, 2.0)
    for at, share_noted, learns in (
        (30 + 175, 0.2, True), (30 + 185, 0.2, False), (30 - 175, 0.2, True), (60, 0.04, False),
        (60, 0.06, True),
    ):  # fmt: skip
        other = NewWater(pours=[pour])
        other.note(BEGAN + at * MINUTE, share_noted)
        assert bool(other.taught) is learns, (at, share_noted)


def test_a_share_that_can_t_be_is_none() -> None:
    def said(step: float, tap: float, before: float = 24.0) -> tuple[float, float, float] | None:
        return NewWater().share(Tank("sill", settings(tap)), Pour(BEGAN, before, step, 0.05))

    assert said(-0.5, 21.1) is None and said(-0.5, 20.9) is not None  # 1.5 errors of 2 °C from the tank
    assert said(1.0, 15.0) is None and said(-1.0, 15.0) is not None  # warmer, of a colder tap
    assert said(-8.0, 20.0) is not None and said(-30.0, 15.0) is None  # three tanks full
    whole = said(-8.9, 15.0)
    assert whole is not None and whole[2] == 1.0
    taught = NewWater(taught=[(1, 15.0), (2, 16.0)]).celsius(TAP)
    assert taught == (15.5, 1.5)


def test_no_more_than_the_last_four_are_kept() -> None:
    water = NewWater()
    for n in range(6):
        water.note(BEGAN + n * MINUTE, 0.1)
    assert [at for at, _ in water.noted] == [BEGAN + n * MINUTE for n in range(2, 6)]


def feed(watch: TankWatch, values: list[float], begin: int = 0) -> list[dict[str, float]]:
    said = []
    for n, celsius in enumerate(values):
        at = BEGAN + (begin + n) * MINUTE
        watch.feed(Reading("sill", "temperature", at, celsius, 1, n))
        beliefs = watch.beliefs()
        if "poured_in_c" in beliefs:
            said.append(beliefs)
    return said


def test_the_watch_believes_it_once_and_a_calm_day_is_none() -> None:
    calm, changed = (TankWatch("sill", settings(15.0)) for _ in range(2))
    noise = [0.01 * (n % 3) for n in range(300)]
    day = [24.0 + one for one in noise]
    assert not feed(calm, day)
    values = [*day[:150], *course(24.0, -1.8, 8), *(22.2 + one for one in noise[:60])]
    said = feed(changed, values)
    assert len({one["poured_in_ago_min"] for one in said}) == 1
    assert said[0]["poured_in_share"] == pytest.approx(0.2, abs=0.02)
    assert said[0]["poured_in_share_low"] < 0.16 and said[0]["poured_in_share_high"] > 0.24
    assert unnoted_pours(calm, BEGAN + 300 * MINUTE) == []
    (line,) = unnoted_pours(changed, BEGAN + 300 * MINUTE)
    assert "it changed by -1.9 °C, about 21 %" in line and "rushlight note sill --changed 21%" in line
    assert unnoted_pours(changed, BEGAN + 3 * 24 * 60 * MINUTE) == []
    family = changed.of(TemperatureDetector)
    entry = LogEntry(id=7, tank="sill", time_ms=BEGAN + 170 * MINUTE, changed_share=0.3)
    family.noted(changed.tank, entry)
    assert unnoted_pours(changed, BEGAN + 300 * MINUTE) == []
    assert family.water.celsius(changed.tank) == (pytest.approx(24 - 1.8 / 0.3, abs=0.5), 1.5)
    family.undone(changed.tank, entry)
    assert family.water.celsius(changed.tank) == (15.0, 2.0)
