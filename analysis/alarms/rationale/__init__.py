"""The alarm rationalisation (ISA-18.2 / IEC 62682): one table, read by detectors, alarms, notices and status.

Every alarm has one row: what happens if nobody acts, what to do in short steps, what not to touch, how urgent
it is by default, and its delays. Delays are common practice, no source: detectors already wait out single
readings, so on-delays are short, and off-delays are long enough that an alarm can't chatter. A detector keeps
its own deadband (`Finding.holding`).
"""

from __future__ import annotations

import functools

from rushlight.analysis.alarms.rationale import gas, heat, light, power, probes
from rushlight.analysis.alarms.rationale.equipment import ANY, Equipment, equipment_of
from rushlight.analysis.alarms.rationale.row import CautionName, Family, Rationale

__all__ = [
    "ANY",
    "RATIONALE",
    "CautionName",
    "Equipment",
    "Family",
    "Rationale",
    "equipment_of",
    "rationale_for",
]

_ROWS: dict[str, Rationale] = {**gas.ROWS, **heat.ROWS, **light.ROWS, **probes.ROWS, **power.ROWS}
# the order in which tables and `check` list them; as said of any tank
RATIONALE: dict[str, Rationale] = {name: row.for_tank(ANY) for name, row in _ROWS.items()}


@functools.cache
def _row(alarm: str, has: Equipment) -> Rationale:
    return _ROWS[alarm].for_tank(has)


def rationale_for(alarm: str, has: Equipment = ANY) -> Rationale:
    """The row of one alarm, as said of a tank with this equipment; KeyError that lists the known names."""
    row = RATIONALE.get(alarm)
    if row is None:
        raise KeyError(f"{alarm!r} is no alarm; known are {', '.join(RATIONALE)}")
    return row if has is ANY else _row(alarm, has)
