"""Carbon dioxide and pH: one curve, three judgements of it.

Water chemistry can't step: a change within a minute is a person, a probe or a current, never the gas.
"""

from __future__ import annotations

from typing import ClassVar

import msgspec

from rushlight.analysis.detectors.gas import keepers_notes
from rushlight.analysis.detectors.gas.absence import AbsenceJudge
from rushlight.analysis.detectors.gas.acid_numbers import PH_CLIMB
from rushlight.analysis.detectors.gas.bared import BaredElectrode
from rushlight.analysis.detectors.gas.beliefs import beliefs
from rushlight.analysis.detectors.gas.curve import PhCurve
from rushlight.analysis.detectors.gas.duty import ValveDuty, controlled
from rushlight.analysis.detectors.gas.estimate import GasEstimate, has_reference, knows
from rushlight.analysis.detectors.gas.judged import Judged, judged_by
from rushlight.analysis.detectors.gas.numbers import CURVE
from rushlight.analysis.detectors.gas.overdose import OverdoseJudge
from rushlight.analysis.detectors.gas.overdose_words import STILL_RUNS
from rushlight.analysis.detectors.gas.own_course import OwnCourse
from rushlight.analysis.detectors.gas.ph_range import RangeJudge
from rushlight.analysis.detectors.gas.shaken_electrode_numbers import SHAKEN
from rushlight.analysis.detectors.gas.surge import SurgeWatch
from rushlight.analysis.detectors.gas.surge_numbers import SURGE
from rushlight.analysis.detectors.gas.valve_open import ValveWatch
from rushlight.analysis.detectors.moment import GasFacts, Moment, Tank
from rushlight.analysis.estimators.robust import median
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window
from rushlight.analysis.findings import Finding
from rushlight.analysis.physics.carbon_dioxide import Gas

__all__ = ["CarbonDioxideDetector"]

_UNSURE = ("co2-overdose", "stray-current-suspected")  # while these are active no surge is looked for

_NOTHING: list[Finding] = []


class CarbonDioxideDetector(msgspec.Struct, dict=True):
    """State; `judged` is by the pH less what stepped, `read` by the pH as read (an overdose `by_reading`).

    Beside the saved fields it keeps `said`, what the other families were told five minutes ago.
    """

    name: ClassVar[str] = "carbon dioxide"
    place: ClassVar[str] = "gas"
    alarms: ClassVar[frozenset[str]] = frozenset({"co2-overdose", "co2-absent", "ph-out-of-range"})
    needs: ClassVar[frozenset[str]] = frozenset({"probes", "lamp", "current", "heat"})
    recalls: ClassVar[frozenset[str]] = frozenset({"doubts"})

    block: Window = msgspec.field(default_factory=lambda: Window(SURGE.frames))
    curve: PhCurve = msgspec.field(default_factory=PhCurve)
    estimate: GasEstimate = msgspec.field(default_factory=GasEstimate)
    overdose: OverdoseJudge = msgspec.field(default_factory=OverdoseJudge)
    absence: AbsenceJudge = msgspec.field(default_factory=AbsenceJudge)
    surge: SurgeWatch = msgspec.field(default_factory=SurgeWatch)
    range: RangeJudge = msgspec.field(default_factory=RangeJudge)
    valve: ValveWatch = msgspec.field(default_factory=ValveWatch)
    course: OwnCourse = msgspec.field(default_factory=OwnCourse)
    bared: BaredElectrode = msgspec.field(default_factory=BaredElectrode)
    duty: ValveDuty = msgspec.field(default_factory=ValveDuty)
    quiet_until: int = -1
    surged_until: int = -1
    hold: dict[str, Finding] = msgspec.field(default_factory=dict)
    judged: Judged | None = None
    read: Judged | None = None
    by_reading: bool = False
    noted, undone = keepers_notes.noted, keepers_notes.undone

    def update(self, tank: Tank, moment: Moment) -> list[Finding]:
        """One frame; the findings that hold after it. O(1)."""
        ph, fifth = moment.frame.ph, moment.fifth
        restless = "ph" in moment.probes.restless
        if fifth:
            if ph is not None:
                self.curve.trust(tank, moment)
            self._doubts(tank, moment)
        if ph is None or ("ph" in moment.probes.faulty and not restless):
            self._unseen(tank, moment, ph)
        else:
            self._seen(tank, moment, ph, restless)
        said: GasFacts | None = self.__dict__.get("said")
        if said is None or fifth:
            said = self.__dict__["said"] = self._facts(tank, moment)
        moment.gas = said
        if not self.hold:
            return _NOTHING
        if restless:
            # the level is still to be seen: what stood stays, and a surge may be what shakes the electrode
            believed = moment.active | ({"co2-overdose"} if "probe-fault" in moment.active else set())
            return [finding for alarm, finding in self.hold.items() if alarm in believed]
        return list(self.hold.values())

    def _unseen(self, tank: Tank, moment: Moment, ph: float | None) -> None:
        """A frame without a pH, or with one that can't be relied on."""
        now, times = moment.frame.start_ms, self.curve.window.times
        if times and now - times[-1] > CURVE.lost_min * MINUTE_MS:
            if ph is not None or not moment.beyond("ph"):
                self.hold.clear()
            self._restart()
            if ph is None:
                self.overdose.over = self.overdose.sudden = -1
                self.overdose.shaken.since = -1
        if ph is not None and moment.fifth and "ph" in moment.probes.leapt:
            self._look(tank, moment, ph)

    def _seen(self, tank: Tank, moment: Moment, ph: float, restless: bool) -> None:
        """A frame with a pH."""
        now, block = moment.frame.start_ms, self.block
        if block.times and (gap := abs(now - block.times[-1])) > CURVE.block_gap_min * MINUTE_MS:
            block.clear()  # a median across a gap would make a slope of a step
            if gap > CURVE.restart_gap_min * MINUTE_MS:
                self._restart()
        block.add(now, ph)
        self._fast(tank, moment, ph, restless)
        if ph - self.curve.ph > PH_CLIMB.since_ph and not restless:
            self.range.climbs(tank, moment, self.curve, block, self.hold)
        if moment.current.step_seen:
            # Not chemistry: look again when the new level has stood for a while.
            self.quiet_until = now + CURVE.step_quiet_min * MINUTE_MS
            self.curve.window.clear()
            self.overdose.since = -1
            self.range.reset()
        if moment.fifth:
            self._slow(tank, moment, median(block.values[-CURVE.block_values :]))

    def recall(self, moment: Moment) -> None:
        """An electrode that leapt and shakes, as of the frame before."""
        moment.gas_before = self.__dict__.get("said")

    def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
        """The CO2 that it judged by last, one standard error either way, and the usual pH."""
        curve, kh = self.curve, self.estimate.hardness
        return beliefs(moment, curve, self.shown, kh.kh if kh.known else None)

    def unjudged(self, tank: Tank, alarm: str) -> str:
        """What the settings lack to judge too much gas, or none; "" where it is judged."""
        if alarm == "co2-absent" and not self.curve.injected(tank):
            return "the settings have no [co2]"
        if alarm == "ph-out-of-range" or has_reference(tank) or (self.judged is not None and knows(tank)):
            return ""
        return "the settings have no hardness"

    def _facts(self, tank: Tank, moment: Moment) -> GasFacts:
        """What the other families may know of the curve."""
        curve = self.curve
        # under its lamp no water rests
        slope = None if moment.lamp.on else curve.window.slope_per_hour(CURVE.long_slope_min * MINUTE_MS)
        return GasFacts(
            curve.ph, curve.swing, slope, curve.injected(tank), curve.ph_error, self.overdose.shaken.facts
        )

    def _doubts(self, tank: Tank, moment: Moment) -> None:
        """What the settings say of the water is left out once it is in doubt and the tank is known."""
        doubts, curve = moment.doubts_before, self.curve
        if doubts.lived and not curve.extremes.lows:
            # an alarm out of a wrong KH has kept these days from being learnt
            curve.extremes.lows = [low for low, _ in doubts.lived]
            curve.extremes.highs = [high for _, high in doubts.lived]
            curve.extremes.means = [(low + high) / 2 for low, high in doubts.lived]
            curve.changed()
        known = bool(curve.extremes.lows) and curve.injected(tank)
        self.estimate.doubtful = doubts.reference and known

    def _fast(self, tank: Tank, moment: Moment, ph: float, restless: bool) -> None:
        """Every frame: several times the usual supply is an alarm within minutes."""
        surge, now = self.surge, moment.frame.start_ms
        if moment.fifth or "below" not in surge.__dict__:
            # a controller's valve gives several times what is lost, for minutes
            looks = knows(tank) and not controlled(tank)
            surge.prepare(moment, self.block, self.curve if looks else None, tank.settings.water.active_soil)
        current = moment.current
        if (
            restless
            or current.step_seen
            or moment.heat.disturbed
            or now < self.quiet_until
            # after steps down the level is a guess, and so is what it says of the supply
            or -current.ph_stepped >= CURVE.stepped_guess_ph
            or not moment.active.isdisjoint(_UNSURE)
        ):
            surge.clear(now)
            return
        if not surge.add(moment, self.block, ph, self.curve) or "co2-overdose" in self.hold:
            return
        gas = self.estimate.at(tank, self.curve, ph, moment.frame.temperature)
        limit = tank.settings.livestock.co2_limit_mg_l
        # a tank that is given no gas has no usual supply
        if gas is None or gas.mg_l < SURGE.least_share * limit or tank.settings.co2 is None:
            return
        creep = self.curve.creep
        fresh = Gas(gas.mg_l * 10**-creep, gas.error)
        if self.surge.ahead(fresh, ph + creep, self.curve, limit, SURGE.person_h) > SURGE.soon_probability:
            self.judged = judged_by(tank, moment, self.curve, ph, gas)
            left_s = self.surge.left_s(fresh, ph + creep, self.curve, limit)
            found = self.overdose.surged(tank, moment, self.curve, gas, self.surge.supply, left_s)
            self.hold[found.alarm] = found
            self.surged_until = moment.frame.start_ms + round(SURGE.person_h * HOUR_MS)

    def _as_read(self, tank: Tank, moment: Moment, ph: float, judged: Judged | None = None) -> Finding | None:
        """`judged` at that pH, where that has been done already."""
        if not knows(tank):
            judged = None
        elif judged is None:
            gas = self.estimate.at(tank, self.curve, ph, moment.frame.temperature)
            judged = None if gas is None else judged_by(tank, moment, self.curve, ph, gas)
        self.read = judged
        return self.overdose.look(tank, moment, self.curve, judged.gas if judged else None, ph, self.block)

    def _look(self, tank: Tank, moment: Moment, ph: float) -> None:
        """Where nothing else is judged: what the pH as read would mean."""
        found = self._as_read(tank, moment, ph)
        if found is not None:
            self.hold[found.alarm] = found
            self.by_reading = True

    @property
    def shown(self) -> Judged | None:
        """The estimate that was judged by last, and all that people are shown, wherever they look."""
        judged, read = self.judged, self.read
        if judged is None or (read is not None and (self.by_reading or read.time_ms > judged.time_ms)):
            return read
        return judged

    def _restart(self) -> None:
        self.judged = self.read = None
        self.by_reading = False
        self.block.clear()
        self.duty.reset()
        self.curve.window.clear()
        self.overdose.since = self.absence.since = -1
        self.range.reset()

    def _slow(self, tank: Tank, moment: Moment, ph: float) -> None:
        """Every five minutes."""
        now = moment.frame.start_ms
        bared = self.bared.shakes(self.block, moment.sensor("ph"))
        quiet = now < self.quiet_until or moment.heat.disturbed or bared
        shaken = self.overdose.shaken
        if shaken.shakes or now < self.quiet_until + SHAKEN.looked_min * MINUTE_MS:
            shaken.look(self.block, moment.sensor("ph"))
        # What stepped down was not chemistry: gas is judged by the curve without it. What stepped up was
        # fresh water, or an electrode set right: either way the pH is now what is read.
        # (Small sums are noise; it comes in gradually, so that the fading of old steps makes no step.)
        stepped = ph
        down = -moment.current.ph_stepped
        if down > CURVE.stepped_noise_ph:
            ph += min(down, CURVE.stepped_gain * (down - CURVE.stepped_noise_ph))
        # Nothing is learnt of a guess. A pH outside its limits is, or that alarm would keep itself up.
        ph_alarm = "ph" in moment.probes.restless or bool(moment.active & {"co2-overdose", "co2-absent"})
        guess = "stray-current-suspected" in moment.active or down >= CURVE.stepped_guess_ph
        usable = not (ph_alarm or guess)
        curve = self.curve
        curve.add(moment, ph, usable, quiet)
        self.estimate.follow(tank, moment, curve, usable and not quiet)
        if controlled(tank):
            self.duty.add(tank, moment, ph, usable and not quiet)
        gas = self.estimate.at(tank, curve, ph, moment.frame.temperature)
        self.judged = None if gas is None else judged_by(tank, moment, self.curve, ph, gas)
        if quiet:
            self.course.quiet_ms = now
            # judge nothing new but what would be deadly, let go of nothing
            for finding in self.hold.values():
                finding.holding = True
            self._look(tank, moment, stepped)
            return
        findings: dict[str, Finding] = {}
        seen = self._as_read(tank, moment, stepped, self.judged if stepped == ph else None)
        self.by_reading = False
        if gas is not None and knows(tank):
            unusual = STILL_RUNS if self.valve.runs_on(tank, moment, curve, gas) else ""
            unusual = self.course.says(tank, moment, curve, gas) or unusual
            departs = self.course.departs
            found: Finding | None = self.overdose.judge(
                tank, moment, curve, gas, stepped, unusual, departs=departs
            )
            if found is None and controlled(tank):
                found = self.duty.judge(tank, moment, curve)
            if found is None and now < self.surged_until and curve.rise <= 0.0:
                found = self.hold.get("co2-overdose")  # raised by its pace, before its level is anything
                if found is not None:
                    found.holding = "co2-overdose" in moment.active
            self.by_reading = found is None and seen is not None
            found = found or seen
            if found is not None:
                findings[found.alarm] = found
        if gas is not None and curve.injected(tank):
            found = self.absence.judge(tank, moment, curve, gas, self.hold.get("co2-absent"))
            if found is not None:
                findings[found.alarm] = found
        found = self.range.judge(tank, moment, curve, stepped, findings, shaken.shakes, gas)
        if found is not None:
            findings[found.alarm] = found
        self.hold = findings
