"""What a detector believes about one alarm at one moment."""

from __future__ import annotations

from typing import Literal

import msgspec

from rushlight.collector.events import Priority

__all__ = ["Finding"]


class Finding(msgspec.Struct, kw_only=True):
    """What a detector believes about one alarm at one moment.

    A detector returns a Finding each time it is evaluated for as long as the condition lasts; no Finding
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
        Alarms that it explains besides those of the table in `rushlight.analysis.watch.diagnosis`.
    credible : str
        Of a probe-fault, what its readings still say: "level" (they jitter about it), "values" (those that
        come are right, so it explains nothing), "leap" (they leapt as no water can: likely wrong, and harmful
        where they are right), "" for nothing.
    beside : bool
        CO2 explains it, too; but a cause of its own is considerable, so that it is an alarm beside CO2's.
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
    beside: bool = False
    setting: str = ""
    credible: Literal["", "level", "values", "leap"] = ""
