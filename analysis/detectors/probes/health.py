"""What is known of one probe, and how its fault is reported."""

from __future__ import annotations

from typing import Literal

import msgspec

from rushlight.analysis.detectors.frames import SeriesFrame
from rushlight.analysis.detectors.moment import minutes_text
from rushlight.analysis.detectors.probes.light_end import LightEnd
from rushlight.analysis.detectors.probes.numbers import DEAD, LEAP, LIGHT_END, RESTLESS
from rushlight.analysis.estimators.jitter import Jitter
from rushlight.analysis.estimators.numbers import JITTER, RESTS
from rushlight.analysis.estimators.rests import Rests
from rushlight.analysis.estimators.units import MINUTE_MS
from rushlight.analysis.findings import Finding
from rushlight.collector.readings import LIGHT, PH, QUANTITIES, TEMPERATURE

__all__ = ["DEAD_FAULTS", "SeriesHealth"]

DEAD_FAULTS = ("dead", "impossible", "full")  # no value of it is believed
CAUSES = {
    "dead": "its cable is cut or unplugged, a contact is wet, or the probe is broken",
    "impossible": "the probe or its cable is damaged: such a value can't be in a tank",
    "full": "the light meter shows all that it can: the sun blinds it, or its cable is broken",
    "flat": "the probe or its converter has frozen: real water is never that still",
    "noisy": "a wet connector, a probe in air, a worn electrode: water never jumps so from minute to minute",
    "loose": "a loose contact or a wet connector: readings fail again and again",
    "out": "the probe hangs in air: the water level has fallen or it was not put back",
}
# what the readings of a faulty probe still say; see `Finding.credible`
CREDIBLE: dict[str, Literal["level", "values", "leap"]] = {"noisy": "level", "loose": "values", "out": "leap"}
RULES_OUT = {  # where the row of the alarm's rationale doesn't say it best
    "noisy": "hands out of the water; unplug the mains devices at the wall one by one, with dry hands, and "
    "plug each in again: where the probe is calm without one, that one puts current into the water; leave it "
    "unplugged and ask a licensed electrician",
    "loose": "reseat its plug with dry hands: readings that go on failing are the device's fault",
    "out": "look whether its tip is under water",
}


class SeriesHealth(msgspec.Struct):
    """What is known of one probe.

    Of a calm one most is asked every five minutes only: `waiting` are the means of the minutes since then, a
    minute apart, the newest at `last_good_ms`.
    """

    last_good_ms: int = -1
    dead_from_ms: int = -1  # since when nothing good has come; -1 where it does
    dead_last_ms: int = -1  # and the newest minute of that
    alive_from_ms: int = -1
    rests: Rests = msgspec.field(default_factory=Rests)
    rest_from_ms: int = -1  # since when its value has been seen unchanged, without a gap in the reports
    rest_value: float = 0.0
    rest_limit_min: float = 0.0  # what it was stuck by: no live probe gives one value for so long
    seen_ms: int = -1
    level: float = 0.0
    jitter: Jitter = msgspec.field(default_factory=Jitter)
    jump_ms: int = -1
    jump_from: float = 0.0
    jump_to: float = 0.0
    jump_gap: float = 0.0  # from there to the room's air then, °C
    settled: float = 0.0
    swift: float = 0.0
    settled_ms: int = -1
    home: float = 0.0  # where it leapt from before the new level was believed
    home_ms: int = -1
    water_ms: int = -1  # since when it looks, out of the water, as if it were back
    fault: str = ""
    since_ms: int = -1
    good_from_ms: int = -1
    end: LightEnd | None = None  # of a light meter
    calm: bool = False  # nothing is wrong with it or in doubt
    waiting: list[float] = msgspec.field(default_factory=list)

    def goes_on(self, name: str, series: SeriesFrame, now_ms: int) -> bool:
        """Whether a calm probe goes on as it did a minute before; such a frame's mean waits in `waiting`."""
        if series.suspect or series.bad:
            return False
        elapsed_ms = now_ms - self.last_good_ms
        if not series.good:
            return 0 <= elapsed_ms <= DEAD.absent_ms  # its reports are rarer
        if elapsed_ms != MINUTE_MS:
            return False
        value = series.total / series.good
        if name == TEMPERATURE:
            if abs(value - self.level) > LEAP.stirs_temperature_c:
                return False
        elif name == PH:
            if abs(value - self.level) > LEAP.stirs_ph:
                return False
        elif name == LIGHT and series.last >= LIGHT_END.least_lx:
            return False
        self.last_good_ms, self.level = now_ms, value
        self.waiting.append(value)
        return True

    def dead_ms(self) -> int:
        """For how long nothing good has come, up to the newest minute that should have had it."""
        return self.dead_last_ms - self.dead_from_ms if self.dead_from_ms >= 0 else -1

    def finding(self, name: str, series: SeriesFrame, now_ms: int) -> Finding:
        """What to report of its fault."""
        info = QUANTITIES[name]
        shown = ""
        if series.good:
            shown = (
                f"{info.title} {series.total / series.good:.{info.decimals}f} {info.printed_unit}".rstrip()
            )
        elif series.suspect and series.last_suspect is not None:
            shown = f"the probe gives {series.last_suspect:g} {info.printed_unit}".rstrip()
        elif series.last_bad is not None:
            shown = f"the probe gives {series.last_bad:g} {info.printed_unit}".rstrip()
        else:
            shown = f"no {info.title} from the probe"
        if self.fault == "flat":
            span = (now_ms - self.rest_from_ms) / 1000
            shown += f", unchanged for {minutes_text(span)}"
        return Finding(
            alarm="probe-fault",
            quantity=name,
            priority="high"
            if name in (TEMPERATURE, PH) and self.fault not in ("noisy", "loose")
            else "medium",
            cause=CAUSES[self.fault],
            rule_out=RULES_OUT.get(self.fault, ""),
            observations=[shown, _seen(name, self, now_ms)],
            credible=CREDIBLE.get(self.fault, ""),
        )


def _seen(name: str, health: SeriesHealth, now_ms: int) -> str:
    """The figures behind a fault, beside the value itself."""
    if health.fault in DEAD_FAULTS:
        if health.last_good_ms < 0:
            return f"no good value for {minutes_text(health.dead_ms() / 1000)}"
        return f"last good value {minutes_text((now_ms - health.last_good_ms) / 1000)} ago"
    if health.fault == "flat":
        days = health.rests.longest_min
        if health.rests.known() and max(days) > 0:
            return (
                f"on the days before it rested for {minutes_text(max(days) * 60)} at most; a live "
                f"probe rests so long once in {RESTS.false_days:.0f} days"
            )
        return f"real water moves such a probe within {minutes_text(health.rest_limit_min * 60)}"
    if health.fault == "noisy":
        return _jitter_text(name, health.jitter)
    if health.fault == "loose":
        return (
            f"{sum(health.jitter.gaps)} of the last {sum(health.jitter.sizes)} frames with a report "
            "had a reading that failed"
        )
    away = minutes_text((now_ms - health.jump_ms) / 1000)
    came = f"{health.jump_from:.2f} {QUANTITIES[name].printed_unit}".rstrip()
    return f"it leapt from {came} and has stayed away for {away}"


def _jitter_text(name: str, jitter: Jitter) -> str:
    unit = QUANTITIES[name].printed_unit
    usual = jitter.usual_level()
    form = "{:.3f}" if usual is not None and usual < RESTLESS.fine_jitter else "{:.2f}"
    loud = jitter.level >= JITTER.loud
    shown = "further than any water" if loud else f"by {form.format(jitter.level)} {unit}".rstrip()
    text = f"from minute to minute it jumps {shown}"
    return text if usual is None else f"{text}, by {f'{form.format(usual)} {unit}'.rstrip()} is usual"
