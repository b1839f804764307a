"""Readings as InfluxDB points: the line protocol, and the key that makes a repeat harmless.

One measurement, `tank_readings`, with the tags `quantity` and `tank` and the fields `value` (float; absent
where the probe could not be read), `flag`, `seq` and `stamp` (integers). A point is known by its tags and its
time, and one written again takes the place of the first. So that two reports of the same millisecond stay
two, the report number is in the digits below the millisecond: nanosecond 0 for a reading without a number,
else 1 + seq mod 999 999. Two readings of one probe fall together only where their numbers are a multiple of
999 999 apart within one millisecond.

A value that is not finite has no place in the line protocol; it is written as one that could not be read.
"""

from __future__ import annotations

import functools
import math

from rushlight.collector.readings import Reading

__all__ = ["FIELDS", "MEASUREMENT", "NS", "line_of", "time_ns"]

MEASUREMENT = "tank_readings"
FIELDS = ("value", "flag", "seq", "stamp")
NS = 1_000_000  # in a millisecond
_NUMBERS = NS - 1


def time_ns(time_ms: int, seq: int) -> int:
    """Time of a point, ns since 1970 UTC; whole milliseconds are `// NS`."""
    return time_ms * NS + (0 if seq < 0 else 1 + seq % _NUMBERS)


def line_of(reading: Reading) -> str:
    """One line of the line protocol, without its end.

    By hand, since the library's `Point` takes ten times as long; a test holds the two together.

    Raises
    ------
    ValueError
        The tank's name can't be a tag: empty, with control characters, or with a backslash at its end.
    """
    head = _head(reading.tank, reading.quantity)
    value, seq = reading.value, reading.seq
    number = ""
    if value is not None and math.isfinite(value):
        number = f",value={repr(float(value)).removesuffix('.0')}"
    time = time_ns(reading.time_ms, seq)
    return f"{head}flag={int(reading.flag)}i,seq={seq}i,stamp={reading.stamp}i{number} {time}"


@functools.lru_cache(maxsize=4096)
def _head(tank: str, quantity: str) -> str:
    for name in (tank, quantity):
        if not name or name.endswith("\\") or not name.isprintable():
            raise ValueError(f"{name!r} can't be a tag of InfluxDB")
    from influxdb_client.client.write.point import Point

    point = Point.from_dict(
        {"measurement": MEASUREMENT, "tags": {"tank": tank, "quantity": quantity}, "fields": {"flag": 0}}
    )
    return str(point.to_line_protocol()).removesuffix("flag=0i")
