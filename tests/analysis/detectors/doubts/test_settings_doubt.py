"""Settings that the data contradict: told once, and never where a fault in the tank explains it.

Made-up tanks, minute by minute. pH from CO2 and KH by pH = pK1 + log10([HCO3-]/[CO2]) with pK1 = 6.35 at
25 °C (Stumm & Morgan, Aquatic Chemistry, 3rd ed., table 4.7; from memory). What water at rest holds: 0.6 mg/L
at 25 °C under open air (Plummer & Busenberg 1982), a few mg/L in a lived-in room over night (common practice,
no source). Lamps, thermostats and gassing: common practice, no source.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from rushlight.analysis.detectors.doubts.detector import SettingsDoubt
from rushlight.analysis.detectors.frames import Frame
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.findings import Finding
from rushlight.analysis.views.learnt_text import learnt_lines, offers
from rushlight.analysis.views.overview import hints
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.learnt import Learnt, learnt
from rushlight.analysis.watch.saved import ANALYSIS_STATE
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import TankSettings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.detectors.lamp.test_lamp import clouds

MINUTE = 60_000
DAY = 1440
BEGAN = 1_768_435_200_000  # 2026-01-15T00:00Z; Lisbon keeps UTC in winter
LAMP = 6000.0

Course = Callable[[int, float], dict[str, float]]  # (day, minute of the day) -> readings


def text_of(**tables: str) -> str:
    """A settings file with one tank; `tables` are the bodies of its further tables."""
    text = '[tanks.alcove]\nvolume_litres = 60\ntimezone = "Europe/Lisbon"\nreport_every_s = 60\n'
    text += "[tanks.alcove.livestock]\ntemperature_low_c = 18\ntemperature_high_c = 29\n"
    for name, body in tables.items():
        text += f"[tanks.alcove.{name}]\n{body}\n"
    return text


def tank(**tables: str) -> TankSettings:
    return parse_settings(text_of(**tables)).tanks["alcove"]


def feed(watch: TankWatch, course: Course, days: range) -> list[Event]:
    """Those days, a reading of each quantity every minute, with a sensor's noise."""
    chance = random.Random(days.start + 5)
    noise = {"light": 3.0, "ph": 0.004, "temperature": 0.02, "room_temperature": 0.02, "heater_power": 0.05}
    events: list[Event] = []
    for day in days:
        for minute in range(DAY):
            at = BEGAN + (day * DAY + minute) * MINUTE + 20_000
            for quantity, value in course(day, minute).items():
                seen = max(0.0, value + chance.gauss(0, noise[quantity]))
                events += watch.feed(Reading("alcove", quantity, at, seen, Flag.PASS))
    return events


def lit(minute: float, on: float, off: float) -> float:
    return LAMP if (minute - on) % DAY < (off - on) % DAY else 0.0


def told(events: list[Event], kind: str = "raised") -> list[Event]:
    return [event for event in events if event.alarm == "setting-doubtful" and event.event == kind]


def names(events: list[Event]) -> list[str]:
    return [event.alarm for event in events if event.event == "raised"]


NOON = 'on = "12:00"\noff = "20:00"'


# -- the lamp ---------------------------------------------------------------------------------------


def an_hour_late(day: int, minute: float) -> dict[str, float]:
    return {"light": lit(minute, 13 * 60, 21 * 60)}


def test_a_schedule_that_never_fitted_is_told_once_instead_of_a_drift() -> None:
    watch = TankWatch("alcove", tank(light=NOON))
    events = feed(watch, an_hour_late, range(7))
    (event,) = told(events)
    assert (event.quantity, event.setting, event.priority) == ("light", "light.on, light.off", "low")
    assert event.value is not None and abs(event.value - 60) <= 2 and event.unit == "min"
    assert event.time[:10] == "2026-01-18"  # the fourth day: three whole ones were seen
    assert "13:00 to 21:00" in event.observations[0] and "12:00 to 20:00" in event.observations[1]
    assert event.summary == "LOW: light.on, light.off of alcove doesn't fit the readings (60 min)"
    after = [e for e in events if e.time > event.time]
    assert {(e.alarm, e.event) for e in after} <= {("light-schedule-drift", "cleared")}
    assert watch.book.standing() == {"setting-doubtful"}


@pytest.mark.parametrize("late", [-60, 60])
@pytest.mark.parametrize("ramp", [None, 10])
def test_hours_an_hour_off_are_one_doubt_and_no_other_alarm(late: int, ramp: int | None) -> None:
    """Not on the first day, when nothing is known of the lamp, and not on the days after."""
    watch = TankWatch("alcove", tank(light=NOON + ("" if ramp is None else f"\nramp_min = {ramp}")))
    shape = 10 if ramp is None else ramp

    def course(day: int, minute: float) -> dict[str, float]:
        since = (minute - 720 - late) % DAY
        level = min(1.0, since / shape, (480 - since) / shape) if since < 480 else 0.0
        return {"light": LAMP * level, "temperature": 25.0}

    events = feed(watch, course, range(9))
    assert names(events) == ["setting-doubtful"]
    # judged by the lamp's own hours from then on: dead the next day, it is missed on time
    gone = feed(watch, lambda d, m: {"light": 0.0, "temperature": 25.0}, range(9, 10))
    (missed,) = (e for e in gone if e.event == "raised" and e.alarm == "light-missing")
    assert (
        (720 + late + 45) / 60
        < int(missed.time[11:13]) + int(missed.time[14:16]) / 60
        < (720 + late + 100) / 60
    )


def test_a_timer_that_slips_is_a_drift_and_no_doubtful_setting() -> None:
    def course(day: int, minute: float) -> dict[str, float]:
        late = 0 if day < 3 else 60
        return {"light": lit(minute, 12 * 60 + late, 20 * 60 + late)}

    events = feed(TankWatch("alcove", tank(light=NOON)), course, range(8))
    assert names(events)[-1] == "light-schedule-drift" and not told(events)
    assert told(feed(TankWatch("alcove", tank(light=NOON)), lambda d, m: course(d + 3, m), range(5)))


def test_a_timer_that_runs_slow_from_the_first_day_is_a_drift() -> None:
    def course(day: int, minute: float) -> dict[str, float]:
        return {"light": lit(minute, 12 * 60 + 8 * day, 20 * 60 + 8 * day)}

    events = feed(TankWatch("alcove", tank(light=NOON)), course, range(7))
    assert set(names(events)) == {"light-schedule-drift"}


def test_one_wrong_time_of_two_is_named() -> None:
    watch = TankWatch("alcove", tank(light=NOON))
    (event,) = told(feed(watch, lambda d, m: {"light": lit(m, 12 * 60, 21 * 60 + 30)}, range(6)))
    assert event.setting == "light.off" and event.value == pytest.approx(90, abs=2)


def test_hours_of_the_other_half_of_the_day_are_found() -> None:
    """08:00 to 16:00 written for 20:00 to 04:00: the lamp is never lit when it should be."""
    watch = TankWatch("alcove", tank(light='on = "08:00"\noff = "16:00"'))
    events = feed(watch, lambda d, m: {"light": lit(m, 20 * 60, 4 * 60)}, range(6))
    (event,) = told(events)
    assert "20:00 to 04:00" in event.observations[0] and abs(event.value or 0) == pytest.approx(720, abs=3)
    assert not [e for e in events if e.time > event.time and e.event == "raised"]


@pytest.mark.parametrize("seed", [1, 2])
def test_hours_that_never_fitted_are_found_in_the_sun_and_clouds_do_not_end_it(seed: int) -> None:
    """Sun of twice the lamp, through clouds, over its middle; the settings are three hours early."""
    sun = clouds(seed, 2 * LAMP, 690, 90)

    def course(day: int, minute: float) -> dict[str, float]:
        return {"light": lit(minute, 7 * 60, 14 * 60 + 30) + sun(day, minute)}

    watch = TankWatch("alcove", tank(light='on = "04:00"\noff = "11:30"'))
    events = feed(watch, course, range(10))
    (event,) = told(events)
    assert event.time[:10] <= "2026-01-20" and not told(events, "cleared")
    assert "07:00 to 14:" in event.observations[0]
    after = {e.alarm for e in events if e.event == "raised" and e.time > event.time}
    assert not after
    right = TankWatch("alcove", tank(light='on = "07:00"\noff = "14:30"'))
    assert not told(feed(right, course, range(10)))


def test_a_lamp_that_fails_under_a_doubtful_schedule_is_missed_all_the_same() -> None:
    def course(day: int, minute: float) -> dict[str, float]:
        return an_hour_late(day, minute) if day < 6 else {"light": 0.0}

    events = feed(TankWatch("alcove", tank(light=NOON)), course, range(8))
    first = next(e for e in events if e.alarm == "light-missing" and e.time > "2026-01-21")
    assert first.event == "raised" and "T13:45" < first.time[10:16] < "T15:00"
    assert len(told(events)) == 1 and not told(events, "cleared")


def test_a_day_without_the_sensor_neither_ends_it_nor_tells_it_again() -> None:
    def course(day: int, minute: float) -> dict[str, float]:
        return {"temperature": 24.0} if day == 4 else an_hour_late(day, minute) | {"temperature": 24.0}

    events = feed(TankWatch("alcove", tank(light=NOON)), course, range(6))
    assert len(told(events)) == 1 and not told(events, "cleared")


def test_set_right_it_is_over_and_a_later_slip_is_a_drift() -> None:
    def course(day: int, minute: float) -> dict[str, float]:
        late = 0 if 5 <= day < 7 else 60
        return {"light": lit(minute, 12 * 60 + late, 20 * 60 + late)}

    events = feed(TankWatch("alcove", tank(light=NOON)), course, range(11))
    assert len(told(events)) == len(told(events, "cleared")) == 1
    assert names(events)[-1] == "light-schedule-drift"


@pytest.mark.parametrize("hour", [20, 84, 86])
def test_a_restart_keeps_what_was_told(hour: int) -> None:
    settings = tank(light=NOON)
    watch = TankWatch("alcove", settings)
    events: list[Event] = []
    chance = random.Random(3)
    for n in range(5 * DAY):
        if n == hour * 60:
            blob = watch.snapshot()
            watch = TankWatch("alcove", settings)
            watch.restore(blob)
        lux = an_hour_late(0, n % DAY)["light"] + abs(chance.gauss(0, 3))
        events += watch.feed(Reading("alcove", "light", BEGAN + n * MINUTE, lux, Flag.PASS))
    assert len(told(events)) == 1


def test_another_wrong_setting_is_told_anew_and_a_right_one_is_silent() -> None:
    for light, count in (('on = "14:00"\noff = "22:00"', 1), ('on = "13:00"\noff = "21:00"', 0)):
        watch = TankWatch("alcove", tank(light=NOON))
        assert len(told(feed(watch, an_hour_late, range(5)))) == 1
        blob = watch.snapshot()
        watch = TankWatch("alcove", tank(light=light))
        watch.restore(blob)
        events = feed(watch, an_hour_late, range(5, 11))
        assert len(told(events)) == count
        assert len(told(events, "cleared")) == 1
        assert set(names(events)) <= {"setting-doubtful", "light-schedule-drift"}


# -- hardness ---------------------------------------------------------------------------------------


def ph_of(co2_mg_l: float, dkh: float) -> float:
    return 6.35 + math.log10(dkh * 0.3566e-3 / (co2_mg_l / 44_010))


def gassed(dkh: float, rest: float = 2.0, full: float = 20.0) -> Course:
    """CO2 on 11:00 to 19:00, half-lives of an hour either way; lamp 12:00 to 20:00."""

    def course(day: int, minute: float) -> dict[str, float]:
        since_on, since_off = (minute - 660) % DAY, (minute - 1140) % DAY
        peak = rest + (full - rest) * (1 - 0.5 ** (480 / 60))
        if since_on < 480:
            co2 = rest + (full - rest) * (1 - 0.5 ** (since_on / 60))
        else:
            co2 = rest + (peak - rest) * 0.5 ** (since_off / 60)
        return {"ph": ph_of(co2, dkh), "light": lit(minute, 720, 1200), "temperature": 25.0}

    return course


GAS = 'source = "cylinder"\non = "11:00"\noff = "19:00"'


def test_a_hardness_given_in_mg_l_is_told_once() -> None:
    """1.5 dKH is 27 mg/L as CaCO3 (1 dKH = 17.85 mg/L): at rest that would be 36 mg/L of CO2."""
    watch = TankWatch("alcove", tank(water="carbonate_hardness_dkh = 27", co2=GAS, light=NOON))
    events = feed(watch, gassed(1.5), range(6))
    (event,) = told(events)
    assert (event.quantity, event.setting, event.unit) == ("ph", "water.carbonate_hardness_dkh", "mg/L")
    assert event.value is not None and event.value > 0.85 * 36  # more still while gas is given
    assert event.time[:10] in ("2026-01-17", "2026-01-18", "2026-01-19")
    assert not [
        e for e in events if e.alarm == "co2-overdose" and e.event == "raised" and e.time > event.time
    ]
    again = TankWatch("alcove", watch.tank.settings)
    again.restore(watch.snapshot())
    assert not told(feed(again, gassed(1.5), range(6, 7)))
    assert "setting-doubtful" in again.book.standing()


@pytest.mark.parametrize(
    ("true", "written", "rest"),
    [(4.0, 4.0, 0.7), (4.0, 4.0, 5.0), (3.0, 4.0, 4.0), (8.0, 5.0, 1.0)],
)
def test_what_a_drop_test_may_be_off_is_never_told(true: float, written: float, rest: float) -> None:
    settings = tank(water=f"carbonate_hardness_dkh = {written}", co2=GAS, light=NOON)
    assert not told(feed(TankWatch("alcove", settings), gassed(true, rest), range(4)))
    far = tank(water=f"carbonate_hardness_dkh = {7 * written}", co2=GAS, light=NOON)
    assert told(feed(TankWatch("alcove", far), gassed(true, rest), range(5)))


def test_a_valve_that_is_open_all_night_stays_an_overdose() -> None:
    """Real gas at 60 mg/L without a break: it may be the KH, too, but nobody is to rely on that."""
    settings = tank(water="carbonate_hardness_dkh = 4", co2=GAS, light=NOON)

    def course(day: int, minute: float) -> dict[str, float]:
        return {"ph": ph_of(60.0, 4.0), "light": lit(minute, 720, 1200), "temperature": 25.0}

    watch = TankWatch("alcove", settings)
    events = feed(watch, course, range(5))
    assert names(events) == ["co2-overdose", "setting-doubtful"]
    assert watch.book.standing() == {"co2-overdose", "setting-doubtful"}


@pytest.mark.parametrize("much", [40.0, 50.0, 60.0])
def test_too_much_gas_from_the_second_day_on_never_becomes_the_usual(much: float) -> None:
    """Hardly a day is known, and the valve stays open: the alarm stands as long as the gas does."""

    def watched(from_day: float) -> TankWatch:
        gas = 6.0

        def course(day: int, minute: float) -> dict[str, float]:
            nonlocal gas
            aim = much if day + minute / DAY >= from_day else 18.0 if 660 <= minute < 1200 else 5.0
            gas += (aim - gas) * (1 - math.exp(-0.5 / 60))
            return {"ph": round(ph_of(gas, 4.0), 2), "light": lit(minute, 720, 1200), "temperature": 25.0}

        watch = TankWatch("alcove", tank(water="carbonate_hardness_dkh = 4", co2=GAS, light=NOON))
        feed(watch, course, range(6))
        return watch

    assert "co2-overdose" in watched(1.4).book.standing()
    assert watched(9.0).book.standing() == set()


YEAST = 'source = "yeast"'


def fermenting(mg_l: Callable[[float], float]) -> Course:
    """A reactor night and day, in water of 4 dKH; `mg_l` by the day, fractions of it too."""

    def course(day: int, minute: float) -> dict[str, float]:
        breath = 1.5 * math.sin(2 * math.pi * minute / DAY)
        return {"ph": ph_of(mg_l(day + minute / DAY) + breath, 4.0), "light": lit(minute, 720, 1200)}

    return course


@pytest.mark.parametrize("written", [24, 40])
def test_a_hardness_nobody_could_live_by_is_told_in_place_of_the_overdose(written: float) -> None:
    """15 mg/L all day, estimated as 90 and more: an overdose for three days, then a doubt, told once."""
    watch = TankWatch("alcove", tank(water=f"carbonate_hardness_dkh = {written}", co2=YEAST, light=NOON))
    events = feed(watch, fermenting(lambda day: 15.0 + 25 * max(0.0, min(4 * (day - 7), 1))), range(8))
    (event,) = told(events)
    assert (event.priority, event.setting) == ("low", "water.carbonate_hardness_dkh")
    assert event.time[:10] == "2026-01-18" and len(event.observations) == 3
    gas = [
        (e.event, e.time) for e in events if e.alarm == "co2-overdose" and e.event in ("raised", "cleared")
    ]
    assert [kind for kind, _ in gas] == ["raised", "cleared", "raised"]
    assert gas[1][1] < "2026-01-18T01"
    # and a surge is still seen, by the pH alone: from 15 to 40 mg/L on the eighth day
    assert "2026-01-22T00" < gas[2][1] < "2026-01-22T06"


def test_gas_that_grows_past_the_limit_is_no_doubtful_hardness() -> None:
    watch = TankWatch("alcove", tank(water="carbonate_hardness_dkh = 4", co2=YEAST, light=NOON))
    events = feed(watch, fermenting(lambda day: 18.0 if day < 2.2 else 90.0), range(8))
    assert names(events) == ["co2-overdose"] and "co2-overdose" in watch.book.standing()


def test_a_surge_right_after_the_hardness_was_set_anew_is_no_doubtful_hardness() -> None:
    """The new figure fits the days before: what comes then is gas, however long it lasts."""
    course = fermenting(lambda day: 15.0 if day < 4.1 else 110.0)
    watch = TankWatch("alcove", tank(water="carbonate_hardness_dkh = 4", co2=YEAST, light=NOON))
    assert names(feed(watch, course, range(4))) == []
    blob = watch.snapshot()
    watch = TankWatch("alcove", tank(water="carbonate_hardness_dkh = 4.5", co2=YEAST, light=NOON))
    watch.restore(blob)
    assert names(feed(watch, course, range(4, 9))) == ["co2-overdose"]
    assert watch.book.standing() == {"co2-overdose"}


def test_a_doubtful_reference_is_kept_until_the_tank_s_usual_can_take_its_place() -> None:
    """Else the overdose that stood would be let go of, and nothing judged for a day."""
    doubt, gas, settings = (
        SettingsDoubt(),
        CarbonDioxideDetector(),
        tank(water="carbonate_hardness_dkh = 27", co2=YEAST),
    )
    doubt.water.mark, doubt.water.found = "27.0 None", Finding(alarm="setting-doubtful", quantity="ph")
    at = BEGAN
    for lows, given, doubtful in (([], True, False), ([6.8], True, True), ([6.8], False, False)):
        alcove = Tank("alcove", settings if given else tank(water="carbonate_hardness_dkh = 27"))
        gas.curve.extremes.lows, gas.curve.extremes.highs = lows, lows
        moment = Moment(Frame(at, at + MINUTE, 25.0, None, 6.8, None, None, {}), 0, 0.0, True, set())
        doubt.update(alcove, moment)
        doubt.recall(moment)
        gas.update(alcove, moment)
        assert gas.estimate.doubtful is doubtful


def test_a_hardness_that_leaves_no_gas_is_told_once() -> None:
    watch = TankWatch("alcove", tank(water="carbonate_hardness_dkh = 0.4", co2=YEAST, light=NOON))
    events = feed(watch, fermenting(lambda day: 15.0), range(7))
    assert names(events) == ["setting-doubtful"]
    assert "KH in the settings is too low" in told(events)[0].cause


def test_an_electrode_that_goes_off_later_is_no_doubtful_hardness() -> None:
    settings = tank(water="carbonate_hardness_dkh = 4", co2=GAS, light=NOON)
    right = gassed(4.0)

    def course(day: int, minute: float) -> dict[str, float]:
        values = right(day, minute)
        values["ph"] -= max(0.0, day + minute / DAY - 3) * 0.3
        return values

    assert not told(feed(TankWatch("alcove", settings), course, range(7)))

    # the same electrode, off from the first day on: then the setting is doubted
    def off(day: int, minute: float) -> dict[str, float]:
        values = right(day, minute)
        return values | {"ph": values["ph"] - 1.2}

    assert told(feed(TankWatch("alcove", settings), off, range(5)))


# -- setpoint ---------------------------------------------------------------------------------------


def thermostat(held: float) -> Course:
    """10 minutes on, 20 off, half a degree either way; the room at 20 °C."""

    def course(day: int, minute: float) -> dict[str, float]:
        place = minute % 30
        wave = place / 10 - 0.5 if place < 10 else 0.5 - (place - 10) / 20
        return {
            "temperature": held + 0.2 * wave,
            "room_temperature": 20.0,
            "heater_power": 60.0 if place < 10 else 0.0,
        }

    return course


@pytest.mark.parametrize("held", [22.8, 27.2])
def test_a_setpoint_that_was_never_held_is_told_once(held: float) -> None:
    watch = TankWatch("alcove", tank(heater="setpoint_c = 25\nwatts = 60"))
    events = feed(watch, thermostat(held), range(5))
    (event,) = told(events)
    assert (event.quantity, event.setting, event.unit) == ("temperature", "heater.setpoint_c", "Cel")
    assert event.value == pytest.approx(held, abs=0.15)
    assert event.time[:10] in ("2026-01-18", "2026-01-19")


def test_a_dial_that_is_off_by_a_degree_is_not_told() -> None:
    settings = tank(heater="setpoint_c = 25\nwatts = 60")
    assert not told(feed(TankWatch("alcove", settings), thermostat(26.1), range(5)))
    assert told(feed(TankWatch("alcove", settings), thermostat(27.1), range(5)))


def test_a_thermostat_that_wanders_off_is_a_fault_and_no_doubtful_setting() -> None:
    settings = tank(heater="setpoint_c = 25\nwatts = 60")

    def course(day: int, minute: float) -> dict[str, float]:
        return thermostat(25.0 if day < 3 else 27.2)(day, minute)

    assert not told(feed(TankWatch("alcove", settings), course, range(7)))
    assert told(feed(TankWatch("alcove", settings), lambda d, m: course(d + 3, m), range(5)))


def test_a_setpoint_far_below_makes_no_alarm_of_each_heating() -> None:
    """The plug shows the heater going on and off: it is told of once, then as a doubtful setting."""
    watch = TankWatch("alcove", tank(heater="setpoint_c = 22\nwatts = 60"))
    events = feed(watch, thermostat(25.0), range(6))
    assert names(events).count("heater-stuck-on") <= 2 and len(told(events)) == 1


def test_where_the_water_is_all_there_is_the_heater_s_turns_tell() -> None:
    """Neither room nor plug: 24.2 to 24.8 °C, four hours down and two up, the setpoint at 26.3."""

    def course(day: int, minute: float) -> dict[str, float]:
        place = (day * DAY + minute) % 360
        return {"temperature": 24.8 - place / 400 if place < 240 else 24.2 + (place - 240) / 200}

    watch = TankWatch("alcove", tank(heater="setpoint_c = 26.3\nwatts = 30"))
    (event,) = told(feed(watch, course, range(8)))
    assert event.quantity == "temperature" and event.value == pytest.approx(24.5, abs=0.2)
    known = learnt(watch)
    assert known.held_c == pytest.approx(24.35, abs=0.15) and known.time_constant_h is None
    assert known.cools_c_per_h == pytest.approx(0.15, abs=0.03)
    assert "cools by 0.1" in learnt_lines(known, "Europe/Lisbon")[0]


def test_a_warm_room_is_no_doubtful_setpoint() -> None:
    settings = tank(heater="setpoint_c = 23\nwatts = 60")

    def course(day: int, minute: float) -> dict[str, float]:
        swing = math.sin(2 * math.pi * (minute - 540) / DAY)
        return {"temperature": 26.5 + 0.3 * swing, "room_temperature": 26.5 + swing}

    assert not told(feed(TankWatch("alcove", settings), course, range(5)))
    assert told(feed(TankWatch("alcove", settings), thermostat(26.5), range(5)))


# -- what is learnt ---------------------------------------------------------------------------------


def whole(day: int, minute: float) -> dict[str, float]:
    return gassed(4.0)(day, minute) | thermostat(24.3)(day, minute) | an_hour_late(day, minute)


UNSET = {"heater": "watts = 60", "co2": GAS}


@pytest.fixture(scope="module")
def taught() -> TankWatch:
    """Five good days of a tank whose settings leave much out."""
    watch = TankWatch("alcove", tank(**UNSET))
    assert names(feed(watch, whole, range(5))) == []
    return watch


def test_nothing_is_learnt_from_nothing() -> None:
    settings = tank(**UNSET)
    known = learnt(TankWatch("alcove", settings))
    assert known == Learnt() and offers(settings, known) == [] == learnt_lines(known, "Europe/Lisbon")


def test_missing_settings_are_learnt_and_offered(taught: TankWatch) -> None:
    settings, known = taught.tank.settings, learnt(taught)
    assert known.held_c == pytest.approx(24.3, abs=0.15)
    assert known.lamp_hours == (pytest.approx((780, 1260), abs=1),)
    assert known.lamp_lx == pytest.approx(LAMP, rel=0.01)
    low, high = ph_of(20.0, 4.0), ph_of(2.0, 4.0)
    assert known.ph_swing == pytest.approx(high - low, abs=0.05)
    assert known.ph_lowest == pytest.approx(low, abs=0.03)
    assert known.ph_at_rest == pytest.approx(high, abs=0.02)
    lines = " ".join(learnt_lines(known, "Europe/Lisbon"))
    assert "lamp on 13:00 to 21:00, gives " in lines and "(watched since 15 January)" in lines
    found = " ".join(offers(settings, known))
    assert "lamp seen on 13:00 to 21:00: set light.on and light.off" in found
    assert "heater seen holding 24." in found and "°C: set heater.setpoint_c" in found
    assert "set water.carbonate_hardness_dkh; until then set water.degassed_ph" in found


def test_what_is_set_is_not_offered(taught: TankWatch) -> None:
    settings = tank(heater="setpoint_c = 24", co2=GAS, light=NOON, water="carbonate_hardness_dkh = 4")
    assert offers(settings, learnt(taught)) == []
    assert offers(tank(), learnt(taught)) != []


def test_status_and_check_read_it_from_the_store(taught: TankWatch, tmp_path: Path) -> None:
    settings = parse_settings(text_of(**UNSET), str(tmp_path / "rushlight.toml"))
    now_ms = BEGAN + 5 * DAY * MINUTE
    with EmbeddedStore(settings.store_path()) as store:
        with store.transaction():
            store.add_readings([Reading("alcove", "ph", now_ms, 7.84, Flag.PASS)])
            store.save_state(ANALYSIS_STATE, "alcove", taught.snapshot(), store.position())
        shown = "\n".join(line.plain for line in status_lines(settings, store, now_ms))
    assert "  learnt: lamp on 13:00 to 21:00, gives " in shown and "  learnt: pH swings " in shown
    assert "  missing setting: lamp seen on 13:00 to 21:00: set light.on and light.off" in shown
    hinted = list(hints(settings))
    assert "tanks.alcove: lamp seen on 13:00 to 21:00: set light.on and light.off" in hinted
    assert sum("tanks.alcove: " in line for line in hinted) == 3
