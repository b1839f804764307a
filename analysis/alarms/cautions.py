"""Safety texts about electricity, gas and animals, and when each is due.

The words of each that decide are also in the step that leads to the danger, so that whoever reads one step
reads them with it; where they are, `below` leaves what else is to be known. Which texts belong to an alarm is
in `rushlight.analysis.alarms.rationale`. `cautions_due` finds what any text calls for: it is the rule the
tests hold every alarm to, and is there for texts written elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence

from rushlight.analysis.alarms.rationale import ANY, CautionName, Equipment, rationale_for

__all__ = ["CAUTIONS", "below", "below_all", "beside", "cautions_due", "cautions_for"]

_WIRING = (
    "Every cable needs a drip loop, hanging lower than its socket. The tank's sockets belong behind a "
    "residual-current device of 30 mA (RCD, IEC 61008-1; a GFCI in North America). Follow your local "
    "electrical codes and leave wiring to a licensed electrician."
)
_BY_SOURCE = {
    "cylinder": "Keep a cylinder upright and tied.",
    "reactor": "Never close off the hose of a working reactor.",
}

CAUTIONS: dict[CautionName, str] = {
    "person-first": (
        "Danger to people first: do not put a hand in the water. With dry hands switch the circuit off at "
        "the breaker, or unplug everything at the wall, before anything else. Then call a licensed "
        "electrician; do not use the tank's electrics until they have been checked."
    ),
    "electrical": (
        "Electricity: unplug at the wall first, with dry hands, before a hand goes into the water or to a "
        f"plug, lamp, heater or pump. {_WIRING}"
    ),
    "gas": (
        "Gas: CO2 gathers low in small rooms and can't be smelt; air the room, and go out if you feel dizzy. "
        + " ".join(_BY_SOURCE.values())
    ),
    "animals": (
        "Animals: this is general advice. If animals gasp, lie on their side, or don't recover, ask a "
        "fish-health professional or a vet; don't dose medicines on a guess."
    ),
}

# the words that decide, as a step has them, and what is left to say below the steps
_BESIDE: dict[CautionName, re.Pattern[str]] = {
    "electrical": re.compile(r"(?=.*\bat the wall\b)(?=.*\bdry hands\b)"),
    "gas": re.compile(r"(?=.*\bair the room\b)(?=.*\bdizzy\b)"),
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


def beside(name: CautionName, step: str) -> bool:
    """Whether a step has the words of that caution that decide."""
    pattern = _BESIDE.get(name)
    return pattern is not None and pattern.search(step) is not None


def below(cautions: Sequence[str], steps: str) -> list[str]:
    """What is still to be said below the steps: nothing twice, and all of it where no step has its words.

    Of a cylinder and a reactor it is said of the one that the steps are about.
    """
    lines = steps.splitlines()
    said = {CAUTIONS[name] for name in _BESIDE if any(beside(name, step) for step in lines)}
    gas = [text for source, text in _BY_SOURCE.items() if source in steps.lower()]
    left = {
        CAUTIONS["electrical"]: f"Electricity: {_WIRING[:1].lower()}{_WIRING[1:]}",
        CAUTIONS["gas"]: "Gas: " + " ".join(gas or _BY_SOURCE.values()),
    }
    return [left[text] if text in said else text for text in cautions]


def below_all(alarms: Iterable[tuple[Sequence[str], str]], said: Collection[str] = ()) -> list[str]:
    """As `below`, of several alarms on one screen: each text once, whole where one of them needs it.

    Parameters
    ----------
    alarms : iterable of (cautions, steps)
        Of each alarm the steps that are shown.
    said : collection of str
        Cautions that are shown already.
    """
    steps: dict[str, list[str]] = {}
    for cautions, shown in alarms:
        for text in cautions:
            steps.setdefault(text, []).append(shown)
    found = []
    for text, shown_beside in steps.items():
        if text in said:
            continue
        whole = any(below([text], one) == [text] for one in shown_beside)
        found += [text] if whole else below([text], "\n".join(shown_beside))
    return found


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
