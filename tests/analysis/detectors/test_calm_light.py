"""What may wait for the next look, five minutes apart, and what may not. Common practice, no source."""

from __future__ import annotations

import pytest

from rushlight.analysis.detectors.frames import Frame, SeriesFrame
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.probes.health import SeriesHealth
from rushlight.collector.readings import LIGHT, PH, ROOM_TEMPERATURE, TEMPERATURE
from rushlight.collector.settings import parse_settings
from tests.analysis.detectors.lamp.test_lamp import LAMP, Watched, lit
from tests.analysis.detectors.test_probes import BEGAN, DAY, HOUR, MINUTE, Bench, jitter, thermometer

LEVEL = 4000.0


@pytest.mark.parametrize(
    ("quantity", "level", "waits", "stirs"),
    [
        (TEMPERATURE, 25.0, 25.95, 26.05),
        (TEMPERATURE, 25.0, 24.05, 23.95),
        (PH, 7.0, 7.44, 7.46),
        (LIGHT, 100.0, 34_900.0, 35_100.0),  # where a meter may end
        (ROOM_TEMPERATURE, 20.0, 30.0, None),
    ],
)
def test_a_calm_probe_waits_until_it_may_have_leapt(
    quantity: str, level: float, waits: float, stirs: float | None
) -> None:
    def goes_on(value: float, minutes: int = 1, good: int = 1, bad: int = 0) -> bool:
        health = SeriesHealth(last_good_ms=BEGAN, level=level, calm=True)
        series = SeriesFrame(good=good, bad=bad, total=good * value, last=value)
        return health.goes_on(quantity, series, BEGAN + minutes * MINUTE)

    assert goes_on(waits)
    assert stirs is None or not goes_on(stirs)
    assert not goes_on(level, minutes=2) and not goes_on(level, bad=1)
    assert goes_on(level, minutes=20, good=0) and not goes_on(level, minutes=21, good=0)


@pytest.mark.parametrize("phase", range(5))
def test_a_leap_is_known_at_once_and_a_frozen_probe_within_five_minutes(phase: int) -> None:
    began = DAY + phase
    bench = Bench().run(began, temperature=thermometer(25.0), ph=jitter(7.0, 0.01))
    bench.run(5, temperature=lambda at: 19.0, ph=lambda at: 5.5)
    # a leap is flagged at first, and a frame is closed by the next minute's reading
    assert bench.doubted == {name: list(range(began + 2, began + 5)) for name in ("temperature", "ph")}
    level = thermometer(25.0)
    still = [
        Bench().run(n, temperature=level).run(7 * HOUR, temperature=lambda at: 25.06)
        for n in (60, 60 + phase)
    ]
    first, later = (bench.told[0][0] for bench in still)
    assert abs(later - phase - first) <= 5


@pytest.mark.parametrize(("share", "waits"), [(0.04, True), (0.06, False), (-0.04, True), (-0.06, False)])
def test_light_waits_until_it_stirs(share: float, waits: bool) -> None:
    text = '[tanks.alcove]\nvolume_litres = 60\ntimezone = "UTC"\n[tanks.alcove.livestock]\n'
    text += (
        'temperature_low_c = 18\ntemperature_high_c = 29\n[tanks.alcove.light]\non = "08:00"\noff = "20:00"\n'
    )
    tank = Tank("alcove", parse_settings(text).tanks["alcove"])
    detector = LampDetector(
        tracker=LampTracker(plateaus=[LEVEL] * 3, plateau_days=[1, 2, 3], lit=True, quarters=[0.0] * 3)
    )

    def see(n: int, lux: float, fifth: bool) -> Moment:
        at = BEGAN + (12 * HOUR + n) * MINUTE
        moment = Moment(Frame(at, at + MINUTE, None, None, None, lux, None, {}), 0, 720.0 + n, fifth, set())
        detector.update(tank, moment)
        return moment

    for n in range(6):
        see(n, LEVEL, n % 5 == 0)
    assert len(see(6, LEVEL, False) and detector.waiting.values) == 1
    moment = see(7, (1 + share) * LEVEL, False)
    assert bool(detector.waiting.values) is waits
    assert moment.lamp.on and moment.lamp.should_be_on and moment.lamp.level_lx == LEVEL
    # all that has waited is there at the next look
    see(8, LEVEL, True)
    assert len(detector.tracker.values) == 7 and not detector.waiting.values


@pytest.mark.parametrize("phase", range(5))
def test_a_switching_is_seen_two_minutes_later_at_any_minute(phase: int) -> None:
    """The middle of three frames: one minute for that, and one for the frame."""
    tank = Tank(
        "alcove",
        parse_settings(
            '[tanks.alcove]\nvolume_litres = 60\ntimezone = "UTC"\n[tanks.alcove.livestock]\n'
            "temperature_low_c = 18\ntemperature_high_c = 29\n"
        ).tanks["alcove"],
    )
    detector = LampDetector(
        tracker=LampTracker(plateaus=[LEVEL] * 3, plateau_days=[1, 2, 3], lit=False, quarters=[0.0] * 3)
    )
    seen = []
    for n in range(40):
        at = BEGAN + n * MINUTE
        lux = LEVEL if 15 + phase <= n < 27 + phase else 0.0
        moment = Moment(
            Frame(at, at + MINUTE, None, None, None, lux, None, {}), 0, float(n), n % 5 == 0, set()
        )
        detector.update(tank, moment)
        if moment.lamp.edge:
            seen.append((n, moment.lamp.edge))
    assert seen == [(16 + phase, 1), (28 + phase, -1)]


@pytest.mark.parametrize("minute", range(1, 6))
def test_light_that_has_waited_is_of_its_own_minute(minute: int) -> None:
    """Dark at night, no report for half a day, and lit again: nothing is missing; dark again, it is."""
    watched = Watched().feed(lambda d, m: lit(m), range(4))
    hours = (0, 60 * MINUTE + minute * MINUTE), (840 * MINUTE, 960 * MINUTE)
    for lux in (LAMP, 0.0):
        for begin, end in hours:
            for at in range(
                watched.began + 4 * DAY * MINUTE + begin, watched.began + 4 * DAY * MINUTE + end, MINUTE
            ):
                day, local = watched.tank.clock.local(at)
                light = lux if begin else 0.0
                frame = Frame(at, at + MINUTE, None, None, None, light, None, {})
                moment = Moment(frame, day, local, at // MINUTE % 5 == 0, set())
                found = {finding.alarm for finding in watched.detector.update(watched.tank, moment)}
                assert found <= ({"light-missing"} if begin and not lux else set())
        watched.began += DAY * MINUTE
    assert found == {"light-missing"}
