"""How far and how long a probe may leap before it counts as out of the water: just inside and just outside.

Levels by the minute, each rule with frames on both sides of where it begins. Common practice, no source.
"""

from __future__ import annotations

import math

import pytest

from rushlight.analysis.detectors.frames import SeriesFrame
from rushlight.analysis.detectors.probes import leap
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.collector.readings import PH, TEMPERATURE

MINUTE = 60_000
HOUR = 60
BEGAN = 1_772_323_200_000


class Probe:
    """A probe of one quantity, an hour in its water; `room` is the air's temperature."""

    def __init__(
        self,
        quantity: str,
        level: float,
        room: float | None = None,
        rate: float = math.inf,
        warms_to: float = math.inf,
        cools_to: float = -math.inf,
    ) -> None:
        self.quantity, self.room, self.rate = quantity, room, rate
        self.warms_to, self.cools_to = warms_to, cools_to
        self.health = SeriesHealth()
        self.minute = -HOUR
        self.stay(level, HOUR)

    def stay(self, value: float, minutes: float) -> Probe:
        """So long at that value."""
        for _ in range(round(minutes)):
            at = BEGAN + round(self.minute * MINUTE)
            leap.note(
                self.quantity, [value], self.room, self.health, at, self.rate, self.warms_to, self.cools_to
            )
            self.minute += 1
        return self

    def first_out(self, value: float, until: int = 5 * HOUR) -> int | None:
        """After how many minutes at that value it counts as out."""
        for n in range(until):
            self.stay(value, 1)
            if self.out:
                return n
        return None

    @property
    def out(self) -> bool:
        return self.health.fault == "out"

    @property
    def away(self) -> bool:
        return self.health.jump_ms >= 0


def water(room: float | None = None) -> Probe:
    return Probe(TEMPERATURE, 25.0, room)


def test_how_far_a_thermometer_and_an_electrode_leap() -> None:
    assert not water().stay(26.9, 1).away and water().stay(27.1, 1).away
    assert not Probe(PH, 7.0).stay(7.85, 1).away and Probe(PH, 7.0).stay(7.95, 1).away


@pytest.mark.parametrize(
    ("quantity", "step", "leaps"),
    [(TEMPERATURE, 0.12, False), (TEMPERATURE, 0.15, True), (PH, 0.43, False), (PH, 0.47, True)],
)
def test_what_moves_as_fast_as_water_is_no_leap(quantity: str, step: float, leaps: bool) -> None:
    """A straight slope is behind what follows it by slope times (lag - 1 frame): 15 and 2 minutes."""
    probe = Probe(quantity, 7.0)
    for n in range(120):
        probe.stay(7.0 + step * (n + 1), 1)
        if probe.away:
            break
    assert probe.away is leaps


def test_the_level_of_before_is_kept_over_a_rinse() -> None:
    """Of a move of 0.6, five minutes leave 1 - (14/15)^5 in what is remembered."""
    probe = Probe(PH, 7.0).stay(7.6, 5).stay(9.0, 1)
    assert probe.health.jump_from == pytest.approx(7.0 + 0.6 * (1 - (14 / 15) ** 5))


def test_after_a_gap_nothing_is_a_leap() -> None:
    for minutes, away in ((18, True), (20, False)):
        probe = water()
        probe.minute += minutes
        assert probe.stay(30.0, 1).away is away


def test_how_long_a_probe_out_of_the_water_is_waited_for() -> None:
    assert water(20.0).first_out(20.0) == 101  # water poured in is warmed again by then
    assert water(30.0).first_out(30.0) == 46  # nobody pours in water that is warmer by degrees
    assert Probe(PH, 7.0).first_out(8.2) == 46


def test_a_weak_heater_is_given_the_time_to_warm_what_was_poured_in() -> None:
    """One and a half times what it takes to one degree, where that is more."""
    assert Probe(TEMPERATURE, 25.0, 20.0, 1.0).first_out(20.0) == 101
    assert Probe(TEMPERATURE, 25.0, 20.0, 0.5).first_out(20.0) == 181
    for rate, out in ((0.78, False), (math.inf, True)):
        probe = Probe(TEMPERATURE, 23.8, 21.3, rate).stay(21.3, 20)
        for minute in range(120):
            probe.stay(21.3 + 0.0095 * minute, 1)  # 0.57 °C an hour
        assert probe.out is out


def unheated(level: float, leapt: float, room: float | None = None) -> Probe:
    """A tank without heater or cooler, and water poured in, or the probe taken out."""
    return Probe(TEMPERATURE, level, room, 1.0, warms_to=-math.inf, cools_to=math.inf).stay(leapt, 1)


@pytest.mark.parametrize(("level", "poured"), [(5.3, 10.5), (37.1, 32.3), (8.7, 15.2)])
def test_new_water_that_nothing_brings_back_is_given_five_hours(level: float, poured: float) -> None:
    """It comes back towards the room with the tank's own time, 12 hours here; air does not."""
    probe, stays = unheated(level, poured), unheated(level, poured)
    for minute in range(24 * HOUR):
        probe.stay(level + (poured - level) * math.exp(-minute / (12 * HOUR)), 1)
        assert not probe.out
    assert stays.first_out(poured, 6 * HOUR) == 5 * HOUR


def test_where_heater_or_cooler_brings_it_back_it_need_not_wait() -> None:
    """And where the room is measured it is asked at once."""
    heated = Probe(TEMPERATURE, 25.0, None, 1.0, warms_to=24.0, cools_to=math.inf)
    assert heated.first_out(19.0) == 101
    assert Probe(TEMPERATURE, 37.0, None, 1.0, warms_to=24.0).first_out(31.0, 6 * HOUR) == 5 * HOUR + 1
    cooled = Probe(TEMPERATURE, 15.0, None, 1.0, warms_to=-math.inf, cools_to=16.0)
    assert cooled.first_out(21.5) == 46
    assert unheated(5.3, 10.5, room=10.5).first_out(10.5) == 45


@pytest.mark.parametrize(("room", "leapt", "out"), [(18.3, 18.3, True), (19.1, 18.9, False)])
def test_a_room_that_has_come_to_the_waters_level_since_may_be_its_air(
    room: float, leapt: float, out: bool
) -> None:
    """Hung out at night, and the morning warms room and probe; 1.9 °C from the water is too near to tell."""
    probe = Probe(TEMPERATURE, 21.0, room).stay(leapt, 1)
    for minute in range(2 * HOUR):
        probe.room = room + 0.8 * minute / HOUR
        probe.stay(min(probe.room, 20.1), 1)
    assert probe.out is out


def test_air_is_the_rooms() -> None:
    """Within 0.8 °C, or within 35 % of the way, where the room is 2 °C and more from the water."""
    assert water(22.9).first_out(22.2) is not None and water(22.9).first_out(22.0) is None
    assert water(15.0).first_out(18.4) is not None and water(15.0).first_out(18.6) is None


def test_a_room_as_warm_as_the_water_says_nothing() -> None:
    assert water(22.9).first_out(22.9) is not None
    close = Probe(TEMPERATURE, 25.0, 23.1).stay(22.6, 12)
    assert not close.away  # believed: 1.9 °C from the water is too near to tell


def test_so_near_the_room_although_it_was_warmed() -> None:
    """Back by a degree since the leap: warmed again; but 0.8 °C from the room's air it is in it."""
    for room, out in ((16.25, True), (16.1, False)):
        probe = water(room).stay(15.0, 30)
        assert (probe.first_out(17.0) is not None) is out


def test_how_much_is_warmed_again() -> None:
    for warmed, out in ((0.9, True), (1.1, False)):
        probe = water(13.5).stay(15.0, 21)
        assert (probe.first_out(15.0 + warmed) is not None) is out


def test_where_the_room_is_not_measured() -> None:
    assert water().first_out(19.1) is not None  # six degrees; four without being warmed
    assert water().first_out(20.9) is not None and water().first_out(21.1) is None
    for level, out in ((18.9, True), (19.1, False)):
        assert (water().stay(17.0, 21).first_out(level) is not None) is out


@pytest.mark.parametrize(
    ("level", "air", "out"), [(8.0, 5.1, False), (8.0, 4.9, True), (37.0, 39.9, False), (37.0, 40.1, True)]
)
def test_so_cold_and_so_warm_is_air(level: float, air: float, out: bool) -> None:
    assert (Probe(TEMPERATURE, level).first_out(air) is not None) is out


def test_what_a_probe_takes_on_within_twenty_minutes_is_the_airs() -> None:
    """What it shows in the 20th minute counts as where it leapt to, what it shows later as the way back."""
    for minutes, out in ((19, True), (21, False)):
        probe = water(13.5).stay(15.0, minutes)
        assert (probe.first_out(16.5) is not None) is out


def test_a_level_that_is_no_airs_is_believed_after_ten_minutes() -> None:
    probe = Probe(TEMPERATURE, 25.0)
    assert probe.stay(22.0, 11).away and not probe.stay(22.0, 1).away


@pytest.mark.parametrize(
    ("quantity", "level", "leapt", "back", "near"),
    [(TEMPERATURE, 25.0, 15.0, 24.1, 24.3), (PH, 7.0, 8.2, 7.55, 7.45)],
)
def test_so_near_its_old_level_it_is_back(
    quantity: str, level: float, leapt: float, back: float, near: float
) -> None:
    for value, out in ((back, True), (near, False)):
        probe = Probe(quantity, level, 15.0)
        assert probe.first_out(leapt) is not None
        probe.room = value  # the air has become as warm
        assert probe.stay(value, 1).out is out


def test_so_far_from_its_old_level_an_electrode_may_be_in_air() -> None:
    far, near = Probe(PH, 7.0).stay(8.0, 1), Probe(PH, 7.0).stay(8.0, 1)
    assert far.first_out(7.85) is not None and near.first_out(7.75) is None


def test_where_it_was_before_is_remembered_for_six_hours() -> None:
    """Poured in and believed, then lifted out and put back into water as it was before."""
    for hours, back in ((5, True), (7, False)):
        probe = Probe(TEMPERATURE, 25.0).stay(22.0, 12)
        probe.stay(22.0, hours * HOUR).stay(10.0, 5).stay(25.0, 1)
        assert probe.away is not back


def test_an_electrodes_new_level_is_the_truth_after_a_day_if_it_is_calm() -> None:
    def out(jitter: float) -> bool:
        probe = Probe(PH, 7.0)
        assert probe.first_out(8.2) is not None
        probe.health.jitter.restless = 1 if jitter > 0 else 0
        assert probe.stay(8.2, 23 * HOUR + 14).out
        return probe.stay(8.2, 2).out

    assert not out(0.0) and out(0.2)


def test_a_thermometer_in_air_is_never_believed() -> None:
    """The room is measured: for as long as it has the room's temperature it hangs there."""
    probe = water(15.0).stay(15.0, 3 * 24 * HOUR)
    assert probe.out
    assert not probe.stay(25.0, 1).out


@pytest.mark.parametrize(("minutes", "out"), [(354, True), (364, False)])
def test_air_that_warms_only_comes_by_where_the_water_was(minutes: int, out: bool) -> None:
    """It comes within 0.8 °C of the water in the day and goes again; what stays for six hours is water."""
    probe = Probe(TEMPERATURE, 25.0)
    assert probe.first_out(18.0) is not None
    for at in range(180):
        probe.stay(18.0 + at * 6.3 / 180, 1)
    assert probe.stay(24.3, minutes - 3).out is out


@pytest.mark.parametrize(("share", "out"), [(0.95, True), (1.05, False)])
def test_hung_back_it_leaps(share: float, out: bool) -> None:
    """By more than a degree within minutes, to where the water was: at once."""
    probe = Probe(TEMPERATURE, 25.0)
    assert probe.first_out(18.0) is not None
    for at in range(600):
        probe.stay(18.0 + min(6.5 - share, at * 6.5 / 400), 1)
    assert probe.stay(24.5, 1).out is out


def test_hung_into_other_water_it_is_believed_after_ten_minutes() -> None:
    for room in (None, 15.0):
        probe = water(room)
        assert probe.first_out(15.0) is not None
        probe.room = room
        assert probe.stay(22.0, 9).out and not probe.stay(22.0, 3).out


def test_other_water_that_is_not_the_rooms_is_believed_after_six_hours() -> None:
    probe = water(15.0)
    assert probe.first_out(15.0) is not None
    for at in range(180):
        probe.stay(15.0 + at * 5.4 / 180, 1)
    assert probe.stay(20.4, 3 * HOUR).out and not probe.stay(20.4, HOUR).out


def test_where_the_room_is_not_measured_it_is_believed_after_a_week() -> None:
    assert water().stay(15.0, 7 * 24 * HOUR - 5).out
    assert not water().stay(15.0, 7 * 24 * HOUR + 5).out


@pytest.mark.parametrize(("quantity", "level", "most"), [("temperature", 25.0, 1.0), ("ph", 7.0, 0.45)])
def test_a_move_so_large_within_a_minute_may_not_wait(quantity: str, level: float, most: float) -> None:
    """1 °C and pH 0.45: common practice, no source."""
    for moved, waits in ((0.9 * most, True), (1.1 * most, False)):
        health = SeriesHealth(calm=True, last_good_ms=0, level=level)
        series = SeriesFrame(good=1, total=level + moved, last=level + moved)
        assert health.goes_on(quantity, series, 60_000) is waits
