"""The keeper's log: what a person did at a tank, or measured in it by hand, and when."""

from __future__ import annotations

from typing import Final, NamedTuple

import msgspec

from rushlight.collector.readings import TANK_NAME
from rushlight.collector.safe_text import has_control, safe_text
from rushlight.collector.store.calibration import Calibration, calibration_entry_fault
from rushlight.collector.store.log_words import DONE, TESTS
from rushlight.collector.units import did_you_mean

__all__ = ["LONGEST_TEXT", "LogChange", "LogEntry", "entry_fault"]


LONGEST_TEXT: Final = 1000


class LogEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One entry; `id` is 0 before it is stored.

    Attributes
    ----------
    time_ms : int
        When it was so, ms UTC.
    tests : dict of str to float
        What was measured by hand; names and units of `TESTS`.
    changed_share : float or None
        Of the water that was changed, 0 to 1.
    done : tuple of str
        Names of `DONE`.
    text : str
        In the keeper's words.
    calibration : Calibration or None
        Of a probe.
    """

    tank: str
    time_ms: int
    tests: dict[str, float] = {}
    changed_share: float | None = None
    done: tuple[str, ...] = ()
    text: str = ""
    id: int = 0
    calibration: Calibration | None = None

    def words(self) -> str:
        """What it says, in one line."""
        parts = [
            " ".join(word for word in (TESTS[name].title, f"{value:g}", TESTS[name].unit) if word)
            for name, value in self.tests.items()
        ]
        if self.changed_share is not None:
            parts.append(f"changed {self.changed_share * 100:.3g} % of the water")
        if self.calibration is not None:
            parts.append(self.calibration.words())
        else:
            parts += [DONE[name] for name in self.done]
        return "; ".join([*parts, *([self.text] if self.text else [])])


class LogChange(NamedTuple):
    """An entry that was added, or undone; `number` grows with each."""

    number: int
    entry: LogEntry
    undone: bool


def entry_fault(entry: LogEntry, now_ms: int) -> str:
    """What is wrong with an entry that is to be stored, and what to do; "" for nothing."""
    if not TANK_NAME.fullmatch(entry.tank):
        return f"{safe_text(entry.tank, 80)!r} is no tank's name"
    says = entry.tests or entry.changed_share is not None or entry.done or entry.calibration
    if not (says or entry.text):
        return "says nothing; give a test as --kh 4, or --changed 20%, --fed …, or a text"
    if entry.time_ms > now_ms:
        return "is in the future; give the time at which it was, or leave --at out for now"
    if entry.time_ms < 0:
        return "is before 1970; give the time at which it was"
    for name, value in entry.tests.items():
        test = TESTS.get(name)
        if test is None:
            return f"there is no test {safe_text(name, 80)!r}; known are {', '.join(TESTS)}"
        if not test.low <= value <= test.high:  # nan is not, either
            unit = f" {test.unit}" if test.unit else ""
            asked = did_you_mean(value, test.unit)
            advice = f"; {asked}" if asked else ""
            return f"--{name} must be from {test.low:g} to {test.high:g}{unit}, not {value:g}{advice}"
    share = entry.changed_share
    if share is not None and not 0 < share <= 1:
        return f"--changed must be more than 0 and at most 100 %, not {share * 100:g} %"
    for name in entry.done:
        if name not in DONE:
            return f"nothing is known of {safe_text(name, 80)!r}; known are {', '.join(DONE)}"
    if entry.calibration is not None:
        fault = calibration_entry_fault(entry.calibration)
        if fault:
            return fault
    if len(entry.text) > LONGEST_TEXT:
        return f"the text has {len(entry.text)} characters; at most {LONGEST_TEXT} are taken"
    if has_control(entry.text):
        return f"the text has a control character in it ({safe_text(entry.text, 40)}); take it out"
    return ""
