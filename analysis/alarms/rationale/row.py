"""What the rationalisation says of one alarm."""

from __future__ import annotations

from typing import Literal

import msgspec

from rushlight.collector.events import Priority

__all__ = ["CautionName", "Family", "Rationale"]

Family = Literal["carbon dioxide", "heat", "light", "probes", "power"]
CautionName = Literal["person-first", "electrical", "gas", "animals"]


_PROBE_STEPS: dict[str, frozenset[str]] = {
    "pH electrode: ": frozenset({"ph", "ph_probe", "source_ph"}),
    "Temperature probe: ": frozenset({"temperature", "room_temperature", "source_temperature"}),
}
"""How a step for one kind of probe begins, and the quantities of that probe."""


class Rationale(msgspec.Struct, frozen=True, kw_only=True):
    """One row of the rationalisation.

    Attributes
    ----------
    title : str
        The alarm in a few words.
    headline, headline_plain : str
        First line of a notice, with and without a number; `{value}`, `{tank}`, `{probe}`, `{trend}`,
        `{setting}`.
    trend : str
        Put in for `{trend}` while harm is still ahead.
    signed : bool
        The value has a direction (early or late), so its sign is shown.
    priority, least_priority : Priority
        Where no better estimate is at hand, and the floor under any estimate.
    consequence : str
        What follows if nobody acts.
    action : tuple of str
        Steps in order; the first fits a phone's lock screen.
    rule_out : str
        What would rule it out: a clause of what to look at, and what it would mean; no full stop.
    on_delay_s, off_delay_s : int
        Seconds a condition must last before it is raised, and be gone before it is cleared.
    family : Family
    harmful : bool
        True where animals (or a person) come to harm; False where plants suffer or sight is lost.
    wakes_from : Priority or None
        From this priority on it can bring death, or hide what does, within a night: it wakes a person in the
        quiet hours unless the time left says that the morning is soon enough. None: it waits for the morning.
    cautions : tuple of str
        Names of the texts in `rushlight.analysis.alarms.cautions`, in the order in which they are shown.
    """

    title: str
    headline: str
    headline_plain: str
    priority: Priority
    consequence: str
    action: tuple[str, ...]
    on_delay_s: int
    off_delay_s: int
    family: Family
    harmful: bool
    cautions: tuple[CautionName, ...]
    trend: str = ""
    signed: bool = False
    least_priority: Priority = "low"
    rule_out: str = ""
    wakes_from: Priority | None = None

    def action_for(self, quantity: str = "") -> tuple[str, ...]:
        """The action without the steps for another probe; all of it where the alarm is about none."""
        other = [start for start, of in _PROBE_STEPS.items() if quantity and quantity not in of]
        return tuple(step for step in self.action if not step.startswith(tuple(other)))

    def steps(self, quantity: str = "") -> str:
        """The action as numbered lines."""
        return "\n".join(f"{number}. {step}" for number, step in enumerate(self.action_for(quantity), 1))
