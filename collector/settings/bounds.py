"""Bounds of the settings that other modules ask for, too."""

from __future__ import annotations

__all__ = ["BAUD_MAX", "HEARTBEAT_MIN", "KEEP_DAYS", "LOOK_BACK_DAYS", "PORT_MAX", "RESEND_MIN", "says"]

RESEND_MIN = (1, 1440)
"""Minutes between reminders, least and most: a minute to be heard in, and once a day at least. Common
practice, no source."""
HEARTBEAT_MIN = (1, 1440)
"""Minutes between heartbeats, least and most. Common practice, no source."""
KEEP_DAYS = (1, 36_525)
"""Days that readings are kept, least and most (a hundred years); longer is for ever, by leaving it out."""
LOOK_BACK_DAYS = 22
"""So many days of readings the analysis learns again from after an upgrade: the longest memory of a detector,
a lamp's light on 21 days, and the day that has begun."""
PORT_MAX = 65_535
"""The highest TCP port (RFC 9293, section 3.1: 16 bits)."""

BAUD_MAX = 12_000_000
"""The fastest of common USB serial bridges, bit/s. From memory."""


def says(unit: str = "", advice: str = "") -> dict[str, str]:
    """Beside the bounds of a number: its unit, and what to do where it is beyond them."""
    return {name: text for name, text in (("unit", unit), ("advice", advice)) if text}
