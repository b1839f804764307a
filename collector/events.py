"""Alarm events as they are kept and sent on, and the words for their kind and priority."""

from __future__ import annotations

from typing import Literal

import msgspec

__all__ = ["PRIORITY_RANK", "AlarmKey", "Event", "EventKind", "Priority"]

Priority = Literal["low", "medium", "high", "critical"]
PRIORITY_RANK: dict[str, int] = {"low": 0, "medium": 1, "high": 2, "critical": 3}

EventKind = Literal["raised", "priority-changed", "acknowledged", "cleared", "shelved", "unshelved"]

AlarmKey = tuple[str, str, str]  # tank, alarm, quantity ("" where the alarm is not about one probe)


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
