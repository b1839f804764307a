"""The small types that pass between detectors, diagnosis, alarms and notices."""

from __future__ import annotations

from typing import Literal

import msgspec

__all__ = ["PRIORITY_RANK", "AlarmKey", "Event", "EventKind", "Finding", "Priority"]

Priority = Literal["low", "medium", "high", "critical"]
PRIORITY_RANK: dict[str, int] = {"low": 0, "medium": 1, "high": 2, "critical": 3}

EventKind = Literal["raised", "priority-changed", "acknowledged", "cleared", "shelved", "unshelved"]

AlarmKey = tuple[str, str, str]  # tank, alarm, quantity ("" where the alarm is not about one probe)


class Finding(msgspec.Struct, kw_only=True):
    """What a detector believes about one alarm at one moment.

    A detector returns a Finding each time it is evaluated for as long as the condition stands; no Finding
    means the condition is gone. The alarm state machine applies on-delay and off-delay.

    Attributes
    ----------
    alarm : str
        A name of the contract's table.
    quantity : str
        The probe it is about, "" otherwise.
    holding : bool
        True inside the deadband: keeps a raised alarm raised, does not raise a new one.
    priority : Priority
    value, unit : float or None, str
        The number behind it (mg/L, °C, min, lx …).
    time_left_s : float or None
        Until the livestock is harmed, as estimated; None where it can't be said, 0 where it is now.
    cause : str
        Likely cause, one clause, no full stop.
    observations : list of str
        Two or three observations, in numbers, that led here.
    rule_out : str
        What would rule it out ("take a reading with a drop test").
    replaces : str
        Set by diagnosis: the alarm this one takes the place of.
    explains : list of str
        Alarms that it explains besides those of the table in `analysis.diagnosis`.
    credible : str
        Of a probe-fault, what its readings still say: "level" (they jitter about it), "values" (those that
        come are right, so it explains nothing), "leap" (they leapt as no water can: likely wrong, and harmful
        where they are right), "" for nothing.
    setting : str
        The key of the settings that it is about ("light.on"), "" otherwise.
    """

    alarm: str
    quantity: str = ""
    holding: bool = False
    priority: Priority = "medium"
    value: float | None = None
    unit: str = ""
    time_left_s: float | None = None
    cause: str = ""
    observations: list[str] = []
    rule_out: str = ""
    replaces: str = ""
    explains: list[str] = []
    setting: str = ""
    credible: Literal["", "level", "values", "leap"] = ""


class Event(msgspec.Struct, kw_only=True, omit_defaults=True):
    """One alarm event, as in section 5 of the contract (additions from `occurrence` on).

    What has no default is in every event, empty where there is nothing to say; the rest is left out then.

    `occurrence` names one raising of one alarm ("hallway/co2-overdose/2026-03-01T02:14:10Z", with
    "/QUANTITY" after the alarm for a probe's) and stays the same until it is cleared.
    """

    time: str
    tank: str
    alarm: str
    event: EventKind
    priority: Priority
    value: float | None = None
    unit: str = ""
    quantity: str = ""
    summary: str
    detail: str
    cautions: list[str]
    occurrence: str = ""
    cause: str = ""
    consequence: str = ""
    action: str = ""
    time_left_s: float | None = None
    observations: list[str] = []
    rule_out: str = ""
    until: str = ""  # shelved: when the shelf ends
    actor: str = ""  # acknowledged, shelved: who
    setting: str = ""  # the settings key that is doubtful
    test: bool = False  # raised on request to try the way to the phone: nothing is wrong by it
