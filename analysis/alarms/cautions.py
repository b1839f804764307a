"""Safety texts about electricity, gas and animals, and when each is due.

Which texts belong to an alarm is in `rushlight.analysis.alarms.rationale`. `cautions_due` finds what any
text calls for: it is the rule the tests hold every alarm to, and is there for texts written elsewhere.
"""

from __future__ import annotations

import re

from rushlight.analysis.alarms.rationale import ANY, CautionName, Equipment, rationale_for

__all__ = ["CAUTIONS", "cautions_due", "cautions_for"]

CAUTIONS: dict[CautionName, str] = {
    "person-first": (
        "Danger to people first: do not put a hand in the water. With dry hands switch the circuit off at "
        "the breaker, or unplug everything at the wall, before anything else. Then call a licensed "
        "electrician; do not use the tank's electrics until they have been checked."
    ),
    "electrical": (
        "Electricity: unplug at the wall first, with dry hands, before a hand goes into the water or to a "
        "plug, lamp, heater or pump. Every cable needs a drip loop, hanging lower than its socket. The "
        "tank's sockets belong behind a residual-current device of 30 mA (RCD, IEC 61008-1; a GFCI in North "
        "America). Follow your local electrical codes and leave wiring to a licensed electrician."
    ),
    "gas": (
        "Gas: CO2 gathers low in small rooms and can't be smelt; air the room, and go out if you feel dizzy. "
        "Keep a cylinder upright and tied. Never close off the hose of a working reactor."
    ),
    "animals": (
        "Animals: this is general advice. If animals gasp, lie on their side, or don't recover, ask a "
        "fish-health professional or a vet; don't dose medicines on a guess."
    ),
}

_ELECTRICAL = re.compile(
    r"\b(hands?|plugs?|plugged|unplug\w*|water|sockets?|cables?|heaters?|lamps?|pumps?|fans?|chillers?|reach)\b",
    re.IGNORECASE,
)
_GAS = re.compile(r"\b(cylinders?|reactors?)\b", re.IGNORECASE)
_ANIMALS = re.compile(r"\b(animals?|fish|shrimps?|gasp\w*)\b", re.IGNORECASE)


def cautions_for(alarm: str, has: Equipment = ANY) -> list[str]:
    """The cautions of one alarm of a tank, the most urgent first; KeyError for an unknown alarm."""
    return [CAUTIONS[name] for name in rationale_for(alarm, has).cautions]


def cautions_due(text: str) -> set[CautionName]:
    """Names of the cautions that a text to be acted upon calls for."""
    due: set[CautionName] = set()
    if _ELECTRICAL.search(text):
        due.add("electrical")
    if _GAS.search(text):
        due.add("gas")
    if _ANIMALS.search(text):
        due.add("animals")
    return due
