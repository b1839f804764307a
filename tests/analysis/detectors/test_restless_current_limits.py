"""Steps of a restless electrode, and jitter that comes with a device: just inside each rule and just outside.

Common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from rushlight.analysis.detectors.frames import Frame, SeriesFrame
from rushlight.analysis.detectors.moment import CurrentFacts, Moment
from rushlight.analysis.detectors.stray_current.detector import StrayCurrentDetector
from rushlight.analysis.detectors.stray_current.explains import explains
from rushlight.analysis.estimators.jitter import Jitter
from rushlight.analysis.estimators.sensor import Sensor
from tests.analysis.detectors.test_current_limits import BEGAN, HOUR, MINUTE, TANK, caused, facts, ms, steps


def test_what_neighbours_differ_by_is_learnt() -> None:
    """A quarter of an hour of 0.04, from 0.01 on and a fiftieth a minute: five times that is 0.09 then."""
    lively = [0.04 * (n % 2) for n in range(16)]
    for size, seen in ((0.085, False), (0.095, True)):
        level = [*lively, *[0.02] * 3]
        found = steps(*level, *[0.02 + size] * 3, noise=None).step_size
        assert bool(found) is seen


@pytest.mark.parametrize(("every", "count"), [(4.9, 1), (5.1, 2)])
def test_rare_reports_one_way_are_one_step(every: float, count: int) -> None:
    """Within two intervals and a half, of which one and a half are past when it is seen."""
    assert len(steps(0, 0, 1, 1, 2, 2, every=every, seen_every=10.0).step_size) == count


def restless(size: float, jitter: float = 0.0, aside: dict[int, int] | None = None) -> bool:
    """Whether a restless electrode's step counts; `aside`: readings set aside, by frames before the last."""
    detector = StrayCurrentDetector(noise=0.0)
    for n, value in enumerate((0.0, 0.0, 0.0, size, size, size)):
        now = BEGAN + n * MINUTE
        series = {"ph": SeriesFrame(good=1, suspect=(aside or {}).get(5 - n, 0))}
        frame = Frame(now, now + MINUTE, None, None, 7.0 + value, None, None, series)
        about = Moment(frame, 0, 0.0, False, set())
        about.probes.faulty, about.probes.restless, about.probes.ph_jitter = {"ph"}, {"ph"}, jitter
        about.sensors["ph"] = Sensor(interval_ms=MINUTE)
        detector.update(TANK, about)
    return bool(detector.step_size)


def test_a_restless_electrodes_steps_are_beyond_its_jitter() -> None:
    assert restless(0.46, 0.1) and not restless(0.44, 0.1)


def test_where_readings_are_set_aside_no_step_counts() -> None:
    assert restless(1.0, aside={0: 1}) and not restless(1.0, aside={0: 2})
    assert not restless(1.0, aside={1: 3}) and restless(1.0, aside={2: 3})  # they fade
    assert restless(1.0, aside={0: 1, 1: 1}) and not restless(1.0, aside={0: 1, 1: 1, 2: 1})


def test_how_many_switchings_are_kept() -> None:
    detector = StrayCurrentDetector()
    for n in range(40):
        detector._keep(detector.switch_ms, detector.switch_sign, n, 1)
    assert detector.switch_ms == list(range(24, 40))


def test_one_switching_of_the_lamp_is_chance() -> None:
    lamp: dict[str, Any] = {"lamp_ms": ms(0), "lamp_sign": [1]}
    assert caused(HOUR, [0], [0.1], **lamp) == ""
    lamp = {"lamp_ms": ms(0, 30), "lamp_sign": [1, -1]}
    assert caused(HOUR, [0, 30], [0.1, -0.1], **lamp) == "lamp"


def test_the_size_of_the_last_six_is_told() -> None:
    sizes = [0.9, 0.9, 0.9, 0.2, 0.2, 0.2, 0.4, 0.6, 0.6]
    known: dict[str, Any] = {"step_ms": ms(*range(9)), "step_size": sizes, "standing": "lamp"}
    detector = facts(HOUR, **known)[1]
    frame = Frame(BEGAN, BEGAN + MINUTE, None, None, None, None, None, {})
    (said,) = detector.update(TANK, Moment(frame, 0, 0.0, False, set()))
    assert said.value == 0.3


def explained(
    minute: float,
    size: float | None = None,
    lamps: tuple[float, ...] = (),
    since: float = 0.0,
    block: int = 0,
) -> bool:
    """Whether a jitter of 0.1 may come with a device that switched at 0."""
    step_ms, sizes = ([], []) if size is None else (ms(0), [size])
    jitter = Jitter(level=0.1, restless=block, since_ms=ms(since)[0])
    about = CurrentFacts(step_ms=step_ms, step_size=sizes, lamp_ms=ms(*lamps))
    return explains(about, jitter, ms(minute)[0])


def test_a_step_that_stands_out_of_the_jitter() -> None:
    assert explained(60, 0.41) and not explained(60, 0.39)


def test_how_long_a_device_is_waited_for() -> None:
    """A thermostat's cycle of five hours, a lamp's photoperiod, or fifty minutes after it switched back."""
    assert explained(4.9 * HOUR, 1.0) and not explained(5.1 * HOUR, 1.0)
    assert explained(15.9 * HOUR, 1.0, (0,)) and not explained(16.1 * HOUR, 1.0, (0,))
    back = 6.0 * HOUR
    assert explained(back + 49, 1.0, (0, back)) and not explained(back + 51, 1.0, (0, back))


def test_a_jitter_that_began_with_the_lamp() -> None:
    assert explained(60, lamps=(0,), since=24, block=1) and not explained(60, lamps=(0,), since=26, block=1)
