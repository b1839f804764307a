"""What the settings no longer let a family judge: such an alarm ends, but nobody knows that it is over."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Protocol, runtime_checkable

from rushlight.analysis.detectors.moment import Tank

__all__ = ["unjudged"]


@runtime_checkable
class _BySettings(Protocol):
    """A family that says why it can't judge one of its alarms."""

    alarms: ClassVar[frozenset[str]]

    def unjudged(self, tank: Tank, alarm: str) -> str:
        """What the settings lack, as "the settings have no …"; "" where it is judged."""
        ...


def unjudged(families: Iterable[object], tank: Tank, alarm: str) -> str:
    """Why an alarm is no longer judged by these settings; "" where it is."""
    for family in families:
        if isinstance(family, _BySettings) and alarm in family.alarms:
            return family.unjudged(tank, alarm)
    return ""
