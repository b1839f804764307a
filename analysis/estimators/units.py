"""Spans of time in milliseconds."""

from __future__ import annotations

__all__ = ["DAY_MS", "HOUR_MS", "MINUTE_MS"]

HOUR_MS = 3_600_000
DAY_MS = 86_400_000

MINUTE_MS = 60_000
