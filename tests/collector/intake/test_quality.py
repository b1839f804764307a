"""collector/intake/quality.py and tests/references/qartod.py against ioos_qc on the same series, and on tank
events."""

from __future__ import annotations

import csv
import gzip
import math
import random
from datetime import UTC, datetime

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ioos_qc import qartod

from rushlight.collector.intake.flagging import Flagger
from rushlight.collector.intake.flagging_runs import not_passing
from rushlight.collector.intake.limits import LIMITS, Limits
from rushlight.collector.intake.quality import QualityChecker, SeriesQuality, SeriesState
from rushlight.collector.readings import QUANTITIES, Reading
from tests.references.qartod import FlatLineTest, RateOfChangeTest, SpikeTest, gross_range
from tests.rivers import data_file

STEP_MS = 10_000
QUARTER_MS = 900_000
NO_TESTS = Limits(-math.inf, math.inf, -math.inf, math.inf)


def river(quantity: str) -> tuple[list[int], list[float]]:
    """Logan River Observatory, Franklin Basin, August 2014, as the sensor gave it: see `tests.rivers`."""
    times, values = [], []
    with gzip.open(data_file("lro_FranklinBasin2014.csv.gz"), "rt", encoding="utf-8", newline="") as text:
        for row in csv.DictReader(text):
            if row["quantity"] == quantity and row["time"].startswith("2014-08"):
                time = datetime.fromisoformat(row["time"]).replace(tzinfo=UTC)
                times.append(int(time.timestamp()) * 1000)
                values.append(float(row["value"]))
    return times, values


def holed(values: list[float]) -> list[float | None]:
    chance = random.Random(5)
    return [None if chance.random() < 0.03 else value for value in values]


def as_array(values: list[float | None] | list[float]) -> np.ndarray:
    return np.array([math.nan if value is None else value for value in values])


def seconds(times: list[int]) -> np.ndarray:
    return (np.array(times) // 1000).astype("datetime64[s]")


def run(series: SeriesQuality, values: list[float | None] | list[float], step_ms: int = STEP_MS) -> list[int]:
    return [series.flag(n * step_ms, value) for n, value in enumerate(values, 1)]


# The published tests, flag by flag: reference ioos_qc.qartod (the IOOS package), on a real series with holes.


@pytest.mark.parametrize("quantity", ["temperature_c", "ph"])
def test_gross_range_as_ioos(quantity: str) -> None:
    _, values = river(quantity)
    with_holes = holed(values)
    fail, suspect = ((5, 10), (6, 9)) if quantity == "temperature_c" else ((8.2, 8.6), (8.3, 8.5))
    reference = qartod.gross_range_test(as_array(with_holes), fail, suspect)
    assert {1, 3, 4, 9} <= set(reference.tolist())
    assert [gross_range(value, fail, suspect) for value in with_holes] == reference.tolist()
    # and the streaming flags agree where only the range is tested
    limits = NO_TESTS._replace(
        fail_low=fail[0], fail_high=fail[1], suspect_low=suspect[0], suspect_high=suspect[1]
    )
    assert run(SeriesQuality(limits), with_holes) == reference.tolist()


@pytest.mark.parametrize(("quantity", "suspect", "fail"), [("temperature_c", 0.05, 0.3), ("ph", 0.02, 0.1)])
def test_spike_as_ioos(quantity: str, suspect: float, fail: float) -> None:
    values = holed(river(quantity)[1])
    reference = qartod.spike_test(as_array(values), suspect, fail)
    assert {1, 2, 3, 4, 9} <= set(reference.tolist())
    test = SpikeTest(suspect, fail)
    flags = [test.update(value) for value in values]
    assert flags[0] is None
    assert [*flags[1:], test.finish()] == reference.tolist()


@pytest.mark.parametrize(("quantity", "suspect", "fail"), [("temperature_c", 1e-4, 4e-4), ("ph", 2e-5, 1e-4)])
def test_rate_of_change_as_ioos(quantity: str, suspect: float, fail: float) -> None:
    times, real = river(quantity)
    values = holed(real)
    reference = qartod.rate_of_change_test(as_array(values), seconds(times), suspect, fail)
    assert {1, 3, 4, 9} <= set(reference.tolist())
    test = RateOfChangeTest(suspect, fail)
    assert [test.update(t, v) for t, v in zip(times, values, strict=True)] == reference.tolist()


@pytest.mark.parametrize(("quantity", "tolerance"), [("temperature_c", 0.06), ("ph", 0.015)])
def test_flat_line_as_ioos(quantity: str, tolerance: float) -> None:
    times, real = river(quantity)
    values = holed(real)
    reference = qartod.flat_line_test(as_array(values), seconds(times), 3600, 9000, tolerance)
    assert {1, 3, 4, 9} <= set(reference.tolist())
    test = FlatLineTest(3600, 9000, 900, tolerance)
    assert [test.update(value) for value in values] == reference.tolist()


# The streaming flags against the same package, where the two definitions meet.


def test_streaming_flat_line_as_ioos_below_the_resolution() -> None:
    """A probe that is stuck gives the same value: with a tolerance below its resolution both agree."""
    times, values = river("ph")
    values[500:560] = [values[500]] * 60
    values[900:910] = [values[900]] * 10
    reference = qartod.flat_line_test(as_array(values), seconds(times), 4 * 3600, 10 * 3600, 0.002)
    assert {1, 3, 4} <= set(reference.tolist())
    limits = NO_TESTS._replace(
        flat_tolerance=0.002, flat_suspect_ms=4 * 3_600_000, flat_fail_ms=10 * 3_600_000
    )
    series = SeriesQuality(limits)
    assert [series.flag(t, v) for t, v in zip(times, values, strict=True)] == reference.tolist()


def test_streaming_spikes_as_ioos_differential() -> None:
    """Isolated spikes: SUSPECT at once where `spike_test(method="differential")` finds them afterwards."""
    times, values = river("temperature_c")
    clean = [v if 0 < v < 20 else values[n - 1] for n, v in enumerate(values[:1290])]
    steps = np.abs(np.diff(clean))
    good = [n for n in range(10, len(clean) - 10) if max(steps[n - 8 : n + 8]) < 0.5]
    chance = random.Random(8)
    base = clean[:]
    for n in good[::37]:
        clean[n] += chance.choice([-3, 3])
    reference = qartod.spike_test(as_array(clean), 2.0, None, method="differential").tolist()
    found = {n for n, flag in enumerate(reference) if flag == 3}
    assert {n for n in range(len(base)) if clean[n] != base[n]} <= found
    series = SeriesQuality(NO_TESTS._replace(spike=2.0))
    flags = [series.flag(t, v) for t, v in zip(times, clean, strict=False)]
    assert {n for n, flag in enumerate(flags) if flag == 3} == found
    assert series.spikes == len(found)


def test_streaming_rate_as_ioos_on_true_steps() -> None:
    values = [20.0] * 30 + [23.0] * 30 + [18.0] * 30
    times = [n * STEP_MS for n in range(1, len(values) + 1)]
    reference = qartod.rate_of_change_test(as_array(values), seconds(times), 0.1).tolist()
    assert reference.count(3) == 2
    series = SeriesQuality(NO_TESTS._replace(rate_per_s=0.1, rate_floor=0.0))
    assert run(series, values) == reference


# What a tank does. Expectations here are common practice, no source.


def noisy(level: float, count: int, noise: float, seed: int = 1) -> list[float]:
    chance = random.Random(seed)
    return [level + chance.gauss(0, noise) for _ in range(count)]


@pytest.mark.parametrize("minutes", [0, 1, 3, 10])
def test_water_change_is_never_a_fault(minutes: int) -> None:
    """3 °C colder within minutes: SUSPECT at most for the first two samples, never FAIL."""
    samples = max(1, minutes * 6)
    ramp = [24.0 - 3.0 * n / samples for n in range(1, samples + 1)]
    noise = noisy(0, 200 + samples, 0.03)
    values = [v + e for v, e in zip([24.0] * 100 + ramp + [21.0] * 100, noise, strict=True)]
    flags = run(SeriesQuality(LIMITS["temperature"]), values)
    assert set(flags) <= {1, 3}
    assert flags.count(3) <= 2
    assert set(flags[102 + samples :]) == {1}


def test_ph_step_passes_again_at_once() -> None:
    values = noisy(7.2, 60, 0.01) + noisy(6.7, 60, 0.01, 2)
    flags = run(SeriesQuality(LIMITS["ph"]), values)
    assert flags == [1] * 60 + [3] + [1] * 59


def test_single_spike_is_suspect_and_counted() -> None:
    values = noisy(7.2, 60, 0.01)
    values[30] += 0.8
    series = SeriesQuality(LIMITS["ph"])
    flags = run(series, values)
    assert [n for n, flag in enumerate(flags) if flag != 1] == [30]
    assert series.spikes == 1


def test_noise_of_an_ordinary_probe_passes() -> None:
    """DS18B20: steps of 0.0625 °C (12 bit; data sheet, from memory), read every second."""
    chance = random.Random(3)
    values = [round((24 + chance.gauss(0, 0.06)) * 16) / 16 for _ in range(5000)]
    assert set(run(SeriesQuality(LIMITS["temperature"]), values, 1000)) == {1}


@pytest.mark.parametrize("quantity", ["temperature", "room_temperature", "source_temperature"])
def test_power_on_and_absent_values_of_a_digital_thermometer(quantity: str) -> None:
    """85.0: the DS18B20's power-on value (data sheet, from memory); -127: what drivers say for no answer."""
    series = SeriesQuality(LIMITS[quantity])
    assert run(series, [85.0, 24.0, 85.0, 24.05, -127.0, 24.0, None, 24.0]) == [4, 1, 4, 1, 4, 1, 9, 1]


def test_lamp_and_heater_may_switch_and_stay() -> None:
    for quantity, level in (("light", 9000.0), ("heater_power", 100.0)):
        day = [0.0] * 4000 + [level] * 4000 + [0.0] * 4000
        assert set(run(SeriesQuality(LIMITS[quantity]), day)) == {1}


def test_stuck_probe() -> None:
    flags = run(SeriesQuality(LIMITS["temperature"]), [23.4375] * (50 * 360))
    assert flags[12 * 360 - 1] == 1
    assert flags[12 * 360] == 3
    assert flags[48 * 360] == 4


def test_freezing_water_may_keep_its_temperature() -> None:
    """Water and ice together are at 0 °C, the ice point, for as long as both are there."""
    outdoors = LIMITS["temperature"]
    for value in (0.0, -0.0625, 0.25):
        assert set(run(SeriesQuality(outdoors), [value] * (50 * 6), 600_000)) == {1}
    assert run(SeriesQuality(outdoors), [0.5625] * (50 * 6), 600_000)[-1] == 4


def test_water_near_freezing_is_judged_and_colder_than_ice_is_not() -> None:
    """A tub outdoors at 0.4 °C is as cold as it reads (0 °C is the ice point); -0.6 °C is no water."""
    tub = [1.0 - 0.01 * step for step in range(100)]
    assert set(run(SeriesQuality(LIMITS["temperature"]), tub, 600_000)) == {1}
    assert run(SeriesQuality(LIMITS["temperature"]), [*tub, -0.6], 600_000)[-1] == 3


# The spike threshold of series that report rarely: it follows the series' own liveliness.

CALM = [8.30, 8.31, 8.31, 8.32, 8.32, 8.33, 8.33, 8.33, 8.34, 8.34]  # a quiet river's pH, every quarter-hour
LIVELY = [8.30, 8.37, 8.45, 8.40, 8.33, 8.26, 8.31, 8.38, 8.46, 8.40]  # one with much weed, on a sunny day


def test_a_small_jump_is_flagged_in_a_calm_series_and_not_in_a_lively_one() -> None:
    calm, lively = SeriesQuality(LIMITS["ph"]), SeriesQuality(LIMITS["ph"])
    assert set(run(calm, CALM * 3 + CALM, QUARTER_MS)[2:10]) == {1}
    begin = 4 * len(CALM) + 1
    calm.flag(begin * QUARTER_MS, 8.34)
    assert calm.flag((begin + 1) * QUARTER_MS, 8.44) == 3
    assert set(run(lively, LIVELY, QUARTER_MS)) == {1}
    assert lively.flag(11 * QUARTER_MS, 8.50) == 1


def test_a_jump_that_is_confirmed_was_true_and_one_that_goes_back_a_spike() -> None:
    for after, spikes in ((8.45, 0), (8.34, 1)):
        series = SeriesQuality(LIMITS["ph"])
        run(series, CALM + [8.34] * 10, QUARTER_MS)
        assert series.flag(21 * QUARTER_MS, 8.44) == 3
        assert series.flag(22 * QUARTER_MS, after) == 1
        assert series.spikes == spikes


def test_the_fixed_threshold_holds_for_the_liveliest_series() -> None:
    series = SeriesQuality(LIMITS["ph"])
    run(series, [8.0 + 0.25 * (n % 2) for n in range(40)], QUARTER_MS)
    assert series.flag(41 * QUARTER_MS, 8.25 + 0.31) == 3


def test_liveliness_fades() -> None:
    """A tenth less with each calm reading: after a stormy day the threshold is a calm river's again."""
    flags = []
    for calm_readings in (2, 8, 40):
        series = SeriesQuality(LIMITS["ph"])
        run(series, [*LIVELY, *[8.40] * calm_readings], QUARTER_MS)
        flags.append(series.flag((11 + calm_readings) * QUARTER_MS, 8.50))
    assert flags == [1, 1, 3]


def test_a_jump_never_hides_the_next() -> None:
    """Two spikes of one size an hour apart: the first, larger than all before, makes it no habit."""
    series = SeriesQuality(LIMITS["temperature"])
    values = [9.0 + 0.02 * (n % 3) for n in range(60)]
    values[50] = values[54] = 9.9
    flags = run(series, values, QUARTER_MS)
    assert [n for n, flag in enumerate(flags) if flag != 1] == [50, 54]


@pytest.mark.parametrize(("step_ms", "flag"), [(60_000, 1), (299_000, 1), (300_000, 3), (QUARTER_MS, 3)])
def test_close_reports_need_no_such_threshold(step_ms: int, flag: int) -> None:
    """0.1 pH off a calm series: each minute the detectors see it, at five it stands for itself."""
    series = SeriesQuality(LIMITS["ph"])
    run(series, [*CALM, *[8.34] * 30], step_ms)
    assert series.flag(41 * step_ms, 8.44) == flag


def test_nothing_is_expected_of_a_series_that_is_not_known_yet() -> None:
    series = SeriesQuality(LIMITS["ph"])
    assert [series.flag(n * QUARTER_MS, v) for n, v in enumerate([8.3, 8.55, 8.3], 1)] == [1, 1, 1]


def test_late_readings_only_have_their_range_tested() -> None:
    series = SeriesQuality(LIMITS["temperature"])
    run(series, noisy(24, 20, 0.02))
    assert series.flag(15 * STEP_MS, 27.0) == 1
    assert series.flag(16 * STEP_MS, 70.0) == 4
    assert series.flag(21 * STEP_MS, 24.0) == 1


def test_after_a_long_gap_another_level_is_no_spike() -> None:
    series = SeriesQuality(LIMITS["temperature"])
    run(series, noisy(24, 20, 0.02))
    assert series.flag(3_600_000, 20.0) == 1


def test_checker_sets_the_flag_of_each_series() -> None:
    checker = QualityChecker()
    readings = [
        Reading("hallway", "temperature", 1000, 24.0),
        Reading("porch", "temperature", 1000, 18.0),
        Reading("hallway", "temperature", 11_000, 85.0),
        Reading("porch", "temperature", 11_000, 18.0),
        Reading("porch", "ph", 11_000, None),
        Reading("porch", "salinity", 11_000, 1.0),
    ]
    assert [checker.flag(r) for r in readings] == [1, 1, 4, 1, 9, 2]
    assert [r.flag for r in readings] == [1, 1, 4, 1, 9, 2]
    assert checker.series("hallway", "temperature") is checker.series("hallway", "temperature")


def test_every_quantity_of_the_contract_has_limits() -> None:
    assert set(LIMITS) == set(QUANTITIES)
    for limits in LIMITS.values():
        assert limits.fail_low <= limits.suspect_low < limits.suspect_high <= limits.fail_high


_values = st.lists(
    st.none() | st.floats() | st.sampled_from([24.0, 24.05, 21.0, 85.0, -127.0, 7.0, 7.5]), max_size=60
)


@given(st.sampled_from(sorted(LIMITS)), _values, st.data())
def test_restored_state_flags_as_if_never_stopped(
    quantity: str, values: list[float | None], data: st.DataObject
) -> None:
    whole = QualityChecker()
    first = QualityChecker()
    cut = data.draw(st.integers(0, len(values)))
    elapsed = st.integers(-2_000_000, 90_000_000)
    times = np.cumsum([0, *data.draw(st.lists(elapsed, min_size=len(values), max_size=len(values)))]).tolist()
    rows = [Reading("hallway", quantity, t, v) for t, v in zip(times, values, strict=False)]
    expected = [whole.flag(row) for row in rows]
    assert set(expected) <= {1, 3, 4, 9}
    head = [first.flag(row) for row in rows[:cut]]
    blob = msgspec.msgpack.encode(first.states())
    after = QualityChecker(states=msgspec.msgpack.decode(blob, type=dict[str, dict[str, SeriesState]]))
    assert head + [after.flag(row) for row in rows[cut:]] == expected


# Coarse probes: a rest or a change of one step is the probe's own resolution.


def test_a_coarse_thermometer_at_rest_is_no_flat_line() -> None:
    """Half degrees; a heater holds the water within one of them for ten days. A fine one is flat by then."""
    live = [24.0] * (240 * 60) + [24.5] * 5 + [24.0] * 300
    assert set(run(SeriesQuality(LIMITS["temperature"]), live, 60_000)) == {1}
    fine = [24.0, 24.06, *live]
    assert 3 in run(SeriesQuality(LIMITS["temperature"]), fine, 60_000)
    assert run(SeriesQuality(LIMITS["temperature"]), [24.0] * (24 * 60 * 33), 60_000)[-1] == 3


def test_one_step_of_a_coarse_electrode_is_no_spike() -> None:
    """Reports each five minutes, steps of 0.1; from a fine one the same leap is set aside until confirmed."""
    rest = [6.8] * 60
    coarse = SeriesQuality(LIMITS["ph"])
    assert set(run(coarse, [6.9, *rest, 6.7, *rest, 6.8, *rest, 6.9], 300_000)) == {1}
    assert run(coarse, [6.9, *rest, 6.5], 300_000)[-1] == 3
    fine = SeriesQuality(LIMITS["ph"])
    assert run(fine, [6.8, 6.81, *rest, 6.9], 300_000)[-1] == 3


def test_of_two_coarse_readings_the_least_that_the_water_did_counts() -> None:
    """Each quarter of an hour: 0.2 in steps of 0.1 may be little over 0.1; in steps of 0.01 it is 0.2."""
    rest = [6.8] * 10
    assert run(SeriesQuality(LIMITS["ph"]), [6.9, *rest, 6.6, 6.8, 6.9], 900_000)[11] == 1
    assert run(SeriesQuality(LIMITS["ph"]), [6.9, *rest, 6.4, 6.8, 6.9], 900_000)[11] == 3
    assert run(SeriesQuality(LIMITS["ph"]), [6.79, 6.9, *rest, 6.81, *rest, 6.6, 6.8, 6.9], 900_000)[-3] == 3


def test_no_light_is_negative() -> None:
    """-1 is what a driver gives where nothing answered (common practice); 0 is dark."""
    assert run(SeriesQuality(LIMITS["light"]), [0.0, 5000.0, -1.0, 0.0], 60_000) == [1, 1, 3, 1]


@given(
    st.lists(
        st.tuples(
            st.sampled_from([10, 10, 10, 60, 0, -20, 14_000, 3_000_000]),
            st.sampled_from([24.0, 24.0, 24.0, 24.0004, 24.0625, 24.2, 25.9, 24.7, 85.0, math.nan]),
        ),
        max_size=60,
    ),
    st.sampled_from(["temperature", "ph", "light"]),
    st.integers(1, 20),
)
def test_runs_are_flagged_as_one_by_one(steps: list[tuple[int, float]], quantity: str, together: int) -> None:
    """Seconds since the one before, and the value; the numbers are of all kinds for each of the limits."""
    scale = {"temperature": 1.0, "ph": 0.29, "light": 10.0}[quantity]
    times, values, at = [], [], 1_772_330_400_000
    for seconds, value in steps:
        at += 1000 * seconds
        times.append(at)
        values.append(value * scale)
    alone, runs = SeriesQuality(LIMITS[quantity]), SeriesQuality(LIMITS[quantity])
    expected = [alone.flag(*one) for one in zip(times, values, strict=True)]
    flags: list[int] = []
    while len(flags) < len(values):
        at = len(flags)
        flags += [1] * runs.passing(times[at : at + together], values[at : at + together])
        at = len(flags)
        if at < len(values):
            flags.append(runs.flag(times[at], values[at]))
    assert flags == expected
    assert repr(runs.state()) == repr(alone.state())
    warm: list[float] = []
    blocks = Flagger(SeriesQuality(LIMITS[quantity]), warm.append)
    found: list[int] = []
    for at in range(0, len(values), together):
        part = slice(at, at + together)
        odd = not_passing(blocks, np.array(times[part]), np.array(values[part]))
        found += [odd.get(place, 1) for place in range(len(values[part]))]
    assert found == [9 if value != value else flag for value, flag in zip(values, expected, strict=True)]
    assert repr(blocks.series.state()) == repr(alone.state())
    good = [value for value, flag in zip(values, expected, strict=True) if flag < 3]
    assert warm[-1:] == good[-1:]


def test_a_run_in_which_all_pass_is_not_looked_at_one_by_one() -> None:
    taken: list[int] = []

    class Counted(SeriesQuality):
        def passing(self, times_ms: list[int], values: list[float]) -> int:
            taken.append(len(values))
            return super().passing(times_ms, values)

    series = Counted(LIMITS["temperature"])
    times = np.arange(1000) * 10_000 + 1_772_330_400_000
    values = 24 + np.arange(1000) % 3 * 0.0625
    assert not_passing(Flagger(series, None), times, values) == {}
    assert taken  # the first of all has none before it
    taken.clear()
    assert not_passing(Flagger(series, None), times + 10_000_000, values) == {}
    assert not taken
    values[700] = 29.0
    assert not_passing(Flagger(series, None), times + 20_000_000, values) == {700: 3}
    assert taken
