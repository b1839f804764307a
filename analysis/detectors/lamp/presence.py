"""Whether the lamp is there when it should be, and out when it should be out, minute by minute."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.lamp.missing import MissingLamp
from rushlight.analysis.detectors.lamp.schedule import Due
from rushlight.analysis.detectors.lamp.stuck import StuckLamp
from rushlight.analysis.detectors.lamp.tracker import LampTracker
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.findings import Finding

__all__ = ["LampPresence"]


# of a lamp that never came the timer is the likelier; the mains would have stopped more than that
_WENT_OUT = (
    "look at the lamp: if it is lit, the light sensor is covered, has slipped, or its cable is off. Next "
    "likeliest is the mains: see whether the tank's other devices have power"
)


class LampPresence(msgspec.Struct):
    """State of both judgements."""

    missing: MissingLamp = msgspec.field(default_factory=MissingLamp)
    stuck: StuckLamp = msgspec.field(default_factory=StuckLamp)

    @property
    def found(self) -> bool:
        """Whether one of the two is so."""
        return self.missing.found or self.stuck.found

    def anew(self) -> None:
        """Other hours to judge by: what was found by the old ones says nothing."""
        self.missing.anew()
        self.stuck.found = False

    def watch(self, moment: Moment, now: int, lux: float, tracker: LampTracker, due: Due) -> None:
        """The light at `now` (ms UTC); says in `moment.lamp` whether the lamp is absent."""
        level = tracker.level()
        if level is None:
            self.missing.watch_unknown(lux, tracker.lapsed, due)
            return
        self.missing.watch(now, lux, level, tracker, due)
        moment.lamp.absent = self.missing.absent(lux, level, tracker, due)
        self.stuck.watch(now, moment.minute, lux, level, tracker, due)

    def findings(self, moment: Moment, level: float | None, times: str) -> list[Finding]:
        """What is found; `times` is the schedule in words."""
        lux = moment.frame.light
        value = None if lux is None else round(lux)
        seen = f"{lux:.0f} lx" if lux is not None else "no reading"
        usual = (
            f"the lamp usually gives {level:.0f} lx" if level is not None else "the lamp was never seen lit"
        )
        out = []
        if self.missing.found:
            out.append(
                Finding(
                    alarm="light-missing",
                    priority="medium",
                    value=value,
                    unit="lx",
                    cause="the lamp, its driver, its plug or its timer has failed",
                    observations=[f"{seen} when it should be lit", usual, times],
                    rule_out=_WENT_OUT if self.missing.out_since >= 0 else "",
                )
            )
        if self.stuck.found:
            daylight = self.stuck.daylight.at(moment.minute)
            dark = [] if daylight is None else [f"without it this hour has had {daylight:.0f} lx at most"]
            out.append(
                Finding(
                    alarm="light-stuck-on",
                    priority="medium",
                    value=value,
                    unit="lx",
                    cause="the timer has stuck, was overridden by hand, or its contacts have welded",
                    observations=[f"{seen} when it should be dark, {times}", usual, *dark],
                )
            )
        return out
