"""What the rationalisation says of one alarm."""

from __future__ import annotations

from typing import Literal

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale.equipment import Equipment, When
from rushlight.collector.events import Priority

__all__ = ["CautionName", "Family", "Rationale"]

Family = Literal["carbon dioxide", "heat", "light", "probes", "power"]
CautionName = Literal["person-first", "electrical", "gas", "animals"]


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
    consequence_gasless : str
        The same for a tank without CO2, where it differs.
    action : tuple of str or When
        Steps in order; after `for_tank` only probes tell them apart. The first fits a phone's lock screen.
    rule_out : str
        What would rule it out: a clause of what to look at, and what it would mean; no full stop.
    on_delay_s, off_delay_s : int
        Seconds a condition must last before it is raised, and be gone before it is cleared.
    family : Family
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
    action: tuple[str | When, ...]
    on_delay_s: int
    off_delay_s: int
    family: Family
    cautions: tuple[CautionName, ...]
    consequence_gasless: str = ""
    trend: str = ""
    signed: bool = False
    least_priority: Priority = "low"
    rule_out: str = ""
    wakes_from: Priority | None = None

    def for_tank(self, has: Equipment) -> Rationale:
        """The row as it is said of a tank with this equipment."""
        if self.family == "carbon dioxide" and not has.gas:
            has = replace(has, gas="either")  # gas where none is set: nobody has said where it comes from
        steps = (step if isinstance(step, str) else step.said(has) for step in self.action)
        gasless = () if has.gas else ("gas",)
        cautions = tuple(name for name in self.cautions if name not in gasless)
        follows = self.consequence if has.gas else self.consequence_gasless or self.consequence
        action = tuple(step for step in steps if step)
        return replace(self, action=action, cautions=cautions, consequence=follows)

    @property
    def lines(self) -> list[str]:
        """The steps, each as it is said."""
        return self.action_for()

    def action_for(self, quantity: str = "") -> list[str]:
        """The steps without those for another probe; all of them where the alarm is about none."""
        steps = (When(step) if isinstance(step, str) else step for step in self.action)
        return [step.text for step in steps if not (quantity and step.probes and quantity not in step.probes)]

    def steps(self, quantity: str = "") -> str:
        """The steps as numbered lines."""
        return "\n".join(f"{number}. {step}" for number, step in enumerate(self.action_for(quantity), 1))
