"""Lines written by hand beside those of InfluxData's own library, and the key of a point."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from rushlight.collector.influx.points import MEASUREMENT, NS, line_of, time_ns
from rushlight.collector.readings import QUANTITIES, Reading

# what a tag can hold: https://docs.influxdata.com/influxdb/v1/write_protocols/line_protocol_reference/
NAMES = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp", "Cn", "Co", "Cf")), min_size=1)
TANKS = NAMES.filter(lambda name: not name.endswith("\\") and name.isprintable())
VALUES = st.none() | st.floats(allow_nan=False, allow_infinity=False)
TIMES = st.integers(0, 4_102_444_800_000)  # to the year 2100
NUMBERS = st.integers(-1, 2**31)
READINGS = st.builds(
    Reading,
    TANKS,
    st.sampled_from(sorted(QUANTITIES)),
    TIMES,
    VALUES,
    st.sampled_from([1, 2, 3, 4, 9]),
    NUMBERS,
    st.sampled_from([0, 1]),
)


def of_library(reading: Reading) -> str:
    """The same reading as the library's `Point`."""
    point = Point(MEASUREMENT).tag("tank", reading.tank).tag("quantity", reading.quantity)
    point = point.field("flag", reading.flag).field("seq", reading.seq).field("stamp", reading.stamp)
    if reading.value is not None:
        point = point.field("value", reading.value)
    return str(point.time(time_ns(reading.time_ms, reading.seq), WritePrecision.NS).to_line_protocol())


def pieces(text: str, at: str) -> list[str]:
    """`text` cut at a character where no backslash stands right before it, as the server does."""
    return re.split(rf"(?<!\\){at}", text)


def parsed(line: str) -> tuple[str, dict[str, str], dict[str, Any], int]:
    """Measurement, tags, fields and time of a line, by the line protocol's own reference."""
    head, fields, time = pieces(line, " ")
    measurement, *tags = pieces(head, ",")
    values: dict[str, Any] = {}
    for field in fields.split(","):
        name, _, value = field.partition("=")
        values[name] = int(value[:-1]) if value.endswith("i") else float(value)
    found = {}
    for tag in tags:
        name, value = pieces(tag, "=")
        for special in " ,=":
            value = value.replace("\\" + special, special)
        found[name] = value
    return measurement, found, values, int(time)


@given(READINGS)
@example(Reading("top shelf, left=1", "ph", 1_772_330_400_000, 7.25, 1, 12, 0))
@example(Reading("größe\\n", "ph", 1_772_330_400_000, -0.0, 1, -1, 0))
@example(Reading("a", "ph", 0, 1e300, 4, 0, 1))
@example(Reading("a", "ph", 0, 5e-324, 4, 0, 1))
@example(Reading("a", "ph", 0, 7.0, 4, 0, 1))
def test_line_says_the_same_as_the_librarys(reading: Reading) -> None:
    line = line_of(reading)
    assert "\n" not in line
    assert parsed(line) == parsed(of_library(reading))


@given(READINGS)
@example(Reading("a\\,b\\ c\\=d", "ph", 5, 7.0, 1, 1, 0))
def test_nothing_of_a_reading_is_lost(reading: Reading) -> None:
    measurement, tags, fields, time = parsed(line_of(reading))
    assert measurement == "tank_readings"
    assert (tags["tank"], tags["quantity"]) == (reading.tank, reading.quantity)
    assert fields.get("value") == reading.value
    assert (fields["flag"], fields["seq"], fields["stamp"]) == (reading.flag, reading.seq, reading.stamp)
    assert time // NS == reading.time_ms


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_one_that_could_not_be_read(value: float) -> None:
    # the line protocol has neither NaN nor infinity: one such line would cost its whole batch
    assert line_of(Reading("a", "ph", 5, value, 9, 1, 0)) == line_of(Reading("a", "ph", 5, None, 9, 1, 0))


@pytest.mark.parametrize("tank", ["", "a\nb", "a\\", "a\tb", "a\u2028b", "\x00"])
def test_names_that_are_no_tags_are_refused(tank: str) -> None:
    with pytest.raises(ValueError, match="can't be a tag"):
        line_of(Reading(tank, "ph", 5, 7.0, 1, 1, 0))


@given(TIMES, st.sets(st.integers(-1, 999_997), min_size=2, max_size=50))
@example(0, {-1, 0})
def test_reports_of_one_millisecond_are_points_of_their_own(time_ms: int, numbers: set[int]) -> None:
    times = {time_ns(time_ms, number) for number in numbers}
    assert len(times) == len(numbers)
    assert {time // NS for time in times} == {time_ms}


@given(st.tuples(TIMES, NUMBERS), st.tuples(TIMES, NUMBERS))
def test_points_fall_together_only_a_million_reports_apart(a: tuple[int, int], b: tuple[int, int]) -> None:
    if time_ns(*a) == time_ns(*b):
        assert a[0] == b[0] and (a[1] == b[1] or (a[1] - b[1]) % 999_999 == 0)
