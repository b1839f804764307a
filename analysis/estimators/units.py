"""Spans of time in milliseconds."""

from __future__ import annotations

__all__ = ["DAY_MS", "HOUR_MS", "MINUTE_MS"]

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
