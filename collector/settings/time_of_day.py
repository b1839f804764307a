"""A time of day as it is written in the settings."""

from __future__ import annotations

import functools
import re

__all__ = ["parse_time_of_day"]

_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


@functools.lru_cache(maxsize=256)  # the detectors ask each minute
def parse_time_of_day(text: str) -> int:
    """HH:MM into minutes after midnight; ValueError otherwise."""
    match = _TIME.fullmatch(text)
    if not match:
        raise ValueError(f"{text!r} is not a time of day as HH:MM")
    return int(match[1]) * 60 + int(match[2])
