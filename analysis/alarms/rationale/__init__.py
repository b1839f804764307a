"""The alarm rationalisation (ISA-18.2 / IEC 62682): one table, read by detectors, alarms, notices and status.

Every alarm has one row: what happens if nobody acts, what to do in short steps, what not to touch, how urgent
it is by default, and its delays. Delays are common practice, no source: detectors already wait out single
readings, so on-delays are short, and off-delays are long enough that an alarm can't chatter. A detector keeps
its own deadband (`Finding.holding`).
"""

from __future__ import annotations

from rushlight.analysis.alarms.rationale import gas, heat, light, power, probes
from rushlight.analysis.alarms.rationale.row import CautionName, Family, Rationale

__all__ = ["RATIONALE", "CautionName", "Family", "Rationale", "rationale_for"]

# the order in which tables and `check` list them
RATIONALE: dict[str, Rationale] = {**gas.ROWS, **heat.ROWS, **light.ROWS, **probes.ROWS, **power.ROWS}


def rationale_for(alarm: str) -> Rationale:
    """The row of one alarm; KeyError that lists the known names otherwise."""
    try:
        return RATIONALE[alarm]
    except KeyError:
        raise KeyError(f"{alarm!r} is no alarm; known are {', '.join(RATIONALE)}") from None
