"""The heater's hypotheses, weighed each five minutes: dead, weak or stuck, against all that is not its doing.

The thermostat's own levels say when heat is owed: below where it comes on; and when none is: above where it
lets go. From the moment at which the water has left what they allow, its course
is weighed. How far it has left counts, too, by the spread of those levels. Together they must be so much
likelier under the fault that chance does it once in a stated time (`WeighedNumbers.enough`).
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.heat.balance import HeatNow
from rushlight.analysis.detectors.heat.cycle import HeaterCycle
from rushlight.analysis.detectors.heat.heater_comes_on import HeaterMemory
from rushlight.analysis.detectors.heat.likelihood_numbers import WEIGHED
from rushlight.analysis.detectors.heat.meter_offs import METER
from rushlight.analysis.detectors.heat.numbers import COMES_ON, HEAT
from rushlight.analysis.detectors.heat.weigh import WORDS, Line, line_of, weigh
from rushlight.analysis.detectors.moment import Moment
from rushlight.analysis.estimators.numbers import SENSOR
from rushlight.analysis.estimators.robust import median, spread
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.estimators.units import HOUR_MS, MINUTE_MS
from rushlight.analysis.estimators.window import Window

__all__ = [
    "Course",
    "Verdict",
    "began_off",
    "explained_error",
    "next_likeliest",
    "noise_of",
    "unheated_verdict",
    "welded_verdict",
]

UNHEATED_NAMES = ("dead", "weak")
WELDED_NAMES = ("stuck",)


class Verdict(msgspec.Struct, frozen=True):
    """What is likeliest, by how many nats over a heater at work; and what comes next with its odds to one.

    `named`: it is likely enough against all that is not the heater's doing. `runner_up` is "" where nothing
    else can be. `outdone`: it is as sure that it is something that is not the heater's doing. `poured`: water
    that was poured in is so much likelier.
    """

    name: str
    nats: float
    named: bool
    runner_up: str
    odds: float
    outdone: bool = False
    poured: bool = False

    @property
    def told(self) -> bool:
        """Whether that is enough for an alarm."""
        return self.named and self.nats >= WEIGHED.enough()


def next_likeliest(verdict: Verdict | None) -> str:
    """What comes next, to be put behind the cause; "" where nothing was weighed."""
    if verdict is None or not verdict.runner_up or verdict.odds < 1:
        return ""
    return f"; next likeliest, 1 to {verdict.odds:.0f}: {WORDS[verdict.runner_up]}"


def noise_of(sensor: Sensor) -> float:
    """Standard error (°C) of a five-minute mean of a thermometer; its steps don't average out."""
    readings = 1.0
    if sensor.interval_ms > 0:
        readings = max(1.0, HEAT.block_min * MINUTE_MS / sensor.interval_ms)
    return max(WEIGHED.noise_least_c, sensor.noise / math.sqrt(readings), sensor.step / SENSOR.root_12)


class Course(msgspec.Struct, frozen=True):
    """The water's course: five-minute means, their standard error (°C), and when the lamp last switched."""

    window: Window
    noise: float
    lamp_ms: int

    @property
    def newest_ms(self) -> int:
        """Time of the newest value (ms UTC), 0 before there is one."""
        return self.window.times[-1] if self.window.times else 0

    def left_ms(self, level: float, sign: float) -> int:
        """When (ms UTC) the water last left a level, upwards (`sign` 1) or downwards (-1)."""
        for at, value in zip(reversed(self.window.times), reversed(self.window.values), strict=True):
            if sign * (value - level) <= 0:
                return at
        return -1

    def line(self, first_ms: int) -> Line | None:
        """The course from a moment on, over the longest span that is weighed at most."""
        last_ms = self.newest_ms
        first_ms = max(first_ms, last_ms - WEIGHED.span_min * MINUTE_MS)
        return line_of(self._points(first_ms, last_ms), self.noise)

    def before(self, turn_ms: int, since_ms: int) -> float | None:
        """How the water went before a moment, °C/h; None where that says nothing of how it should go on.

        `since_ms` is when it last turned.
        """
        first_ms = max(since_ms, turn_ms - round(WEIGHED.own_min * MINUTE_MS))
        if self.lamp_ms > first_ms or turn_ms < 0:
            return None
        points = self._points(first_ms, turn_ms)
        if not points or points[-1][0] - points[0][0] < WEIGHED.own_least_min / 60:
            return None
        line = line_of(points, self.noise)
        return None if line is None else line.slope

    def _points(self, first_ms: int, last_ms: int) -> list[tuple[float, float]]:
        pairs = zip(self.window.times, self.window.values, strict=True)
        return [((at - last_ms) / HOUR_MS, value) for at, value in pairs if first_ms <= at <= last_ms]


def unheated_verdict(
    moment: Moment, heat: HeatNow, memory: HeaterMemory, cycle: HeaterCycle, course: Course
) -> Verdict | None:
    """Of water that should be heated; None where it needn't be, or too little is known."""
    if heat.floor is None or heat.drawing:
        return None
    from_c = memory.switches_at() if heat.drawing is False else None
    level = heat.floor if from_c is None else from_c
    if heat.temperature >= level:
        return None  # held, as nearly always
    first_ms = course.left_ms(level, -1)
    if course.newest_ms - first_ms < WEIGHED.least_min * MINUTE_MS:
        return None  # too short a course
    known = memory.metered or len(memory.picks) >= COMES_ON.corners
    least = WEIGHED.level_least_c if heat.drawing is None else WEIGHED.metered_c
    error = max(least, spread(memory.picks if from_c is None else memory.switches))
    beyond, error = level - heat.temperature, error if known else WEIGHED.level_guess_c
    if heat.drawing is None:  # as low as it has been, and came back: its level says nothing
        beyond = max(0.0, min(beyond, memory.sinks_to(level) - heat.temperature))
    own = course.before(first_ms, -1 if cycle.rising else cycle.turned_ms)
    free, bias = heat.explained, explained_error(moment, heat)
    measured = heat.room is not None and heat.learnt and free is not None
    if own is not None and own < 0 and not (measured and free is not None and own > free + bias):
        # the water fell as it does without heat: so it goes on; had it fallen slower, something heated it
        free, bias = own, math.hypot(WEIGHED.bias_c_per_h, WEIGHED.own_share * own)
    if free is None or free >= 0:
        return None
    line = course.line(first_ms)
    if line is None:
        return None
    gives = cycle.heat or heat.rate
    owed = free + WEIGHED.works_share * gives
    slopes = {
        "works": [min(owed, 0.0), owed],
        "dead": [free],
        "weak": [free + WEIGHED.weak_share * gives],
        "draught": [WEIGHED.draught_scale * free + gives],
    }
    # the meter, too, leaves nothing to the curve
    alone = heat.drawing is False and memory.off_min(heat.now) >= WEIGHED.metered_min
    counts = _level(beyond, error, WEIGHED.alone_nats if alone else WEIGHED.level_nats)
    nats = weigh(line, slopes, bias, owed, {})
    if from_c is None and known:
        # a heater that comes on a little lower than is known of it owes no heat yet
        doubt = max(WEIGHED.noise_least_c, spread(memory.picks))
        nats["works"] = max(nats["works"], nats["dead"] - beyond * beyond / (2 * doubt * doubt))
    return _verdict(nats, counts, UNHEATED_NAMES, "draught", heat.room is not None)


def welded_verdict(
    moment: Moment,
    heat: HeatNow,
    memory: HeaterMemory,
    cycle: HeaterCycle,
    course: Course,
    bend: float | None,
    usual: float | None,
) -> Verdict | None:
    """Of water that is warmer than the heater holds; None where it isn't, or too little is known.

    `usual` is the usual temperature (°C) at this time of day. `bend` is by how much (°C/h) a cooler that may
    be at work here slows the water; None where there is none.
    """
    if heat.drawing is False:
        return None
    lets_go = memory.meter_offs.top(heat.full)
    part = heat.power is not None and heat.power < METER.part_share * heat.full
    if lets_go is None and not part:  # one of two lets go where it does, and not where the other was seen to
        lets_go = cycle.top
    top = heat.ceiling if lets_go is None else lets_go[1]
    if top is None or heat.temperature <= top:
        return None  # held, as nearly always
    over = heat.temperature - top
    least = WEIGHED.level_least_c if heat.drawing is None else WEIGHED.metered_c
    error = WEIGHED.level_guess_c if lets_go is None else max(least, lets_go[2])
    first_ms = course.left_ms(top, 1)
    line = course.line(first_ms)
    if line is None:
        return None
    gives = cycle.heat or heat.rate
    free, bias = heat.explained, explained_error(moment, heat)
    own = course.before(first_ms, cycle.turned_ms)
    seen = cycle.by_heater and cycle.rising and own is not None and own > 0
    # a rise that began above where the heater comes on is something else's
    seen = seen and (heat.floor is None or cycle.from_c < heat.floor + WEIGHED.came_on_c)
    if (
        seen and own is not None
    ):  # the heater was seen to come on: without it the water goes on by so much less
        free, bias = own - gives, math.hypot(WEIGHED.bias_c_per_h, WEIGHED.own_share * own)
    if free is not None and heat.room is None and heat.tau_h is not None:
        # the warmer the more it loses; where the room is measured, that is in `explained`
        loses = over / heat.tau_h
        free, bias = free - loses, math.hypot(bias, WEIGHED.guess_share * loses)
    if free is None or (line.slope < free and not heat.drawing):
        return None  # water that loses more than without any heat: a cooler that has come back, colder water
    slopes = {
        "works": [free, max(free, 0.0)],
        "stuck": [free + gives],
        "other heat": [max(free, 0.0) + WEIGHED.other_c_per_h],
    }
    if bend is not None:
        slopes["cooler"] = [free + bend]
    # above its level in a colder room, something has heated it
    colder = heat.room is not None and heat.room < heat.temperature
    counts = _level(over, error, WEIGHED.over_nats) if seen or colder else 0.0
    draws = heat.drawing is True and memory.on_min(heat.now) >= WEIGHED.metered_min
    if draws:
        counts = _level(over, error, WEIGHED.alone_nats)
    share = WEIGHED.typed_share if cycle.heat is None else WEIGHED.heat_share
    nats = weigh(line, slopes, bias, free, {} if seen else {"stuck": share * gives})
    # a heater that lets go a little higher than is known of it is still on, too
    nats["works"] = max(nats["works"], nats["stuck"] - over * over / (2 * error * error))
    if draws:  # whatever else warms the water: a thermostat that works would have let go
        return Verdict("stuck", nats["stuck"] - nats["works"] + counts, True, "", WEIGHED.most_odds)
    if began_off(heat, memory, cycle):
        nats["stuck"] -= WEIGHED.began_nats
    if seen:
        nats["other heat"] -= WEIGHED.chance_nats
    elif usual is not None and heat.temperature < usual + WEIGHED.unusual_c:
        nats["other heat"] = max(nats["other heat"], nats["stuck"])  # as warm as on any day at this hour
    return _verdict(nats, counts, WELDED_NAMES, "", heat.room is not None)


def began_off(heat: HeatNow, memory: HeaterMemory, cycle: HeaterCycle) -> bool:
    """Whether the water's rise began with the heater off: further above where it comes on than that varies.

    Contacts weld while they are closed, so a stuck heater's rise begins where the heater comes on.
    """
    if heat.drawing is not None or not cycle.rising or cycle.turned_c != cycle.from_c:
        return False
    if len(memory.picks) < COMES_ON.corners:
        return False
    return cycle.from_c > median(memory.picks) + WEIGHED.began_c


def _verdict(
    nats: dict[str, float], level: float, names: tuple[str, ...], aside: str, measured: bool
) -> Verdict:
    """`aside` is told as what comes next, and is no reason to wait: it calls for the same look.

    Where the room is not `measured`, nothing is sure enough against the heater.
    """
    best = max(names, key=nats.__getitem__)
    ahead = nats[best] - nats["works"] + level
    # nobody needs to be told that it may work after all: that is what the threshold is for
    others = {name: value for name, value in nats.items() if name not in (*names, "works")}
    runner_up = max(others, key=others.__getitem__)
    against = max(value for name, value in others.items() if name != aside)
    odds = math.exp(min(nats[best] - others[runner_up], math.log(WEIGHED.most_odds)))
    surer = nats[best] - against
    named, outdone = surer >= WEIGHED.named(), measured and surer <= -WEIGHED.named()
    poured = others["poured"] - nats[best] >= math.log(WEIGHED.poured_odds)
    return Verdict(best, ahead, named, runner_up, odds, outdone, poured)


def explained_error(moment: Moment, heat: HeatNow) -> float:
    """Standard error (°C/h) of the slope that room and lamp explain."""
    share = WEIGHED.bias_share if heat.learnt else WEIGHED.guess_share
    parts = [WEIGHED.bias_c_per_h, share * (heat.explained or 0.0)]
    if moment.lamp.on is not False:
        parts.append(WEIGHED.lamp_c_per_h)
    if heat.room is None:
        parts.append(WEIGHED.no_room_c_per_h)
    return math.hypot(*parts)


def _level(beyond: float, error: float, most: float) -> float:
    """What it says (nats) that the water is `beyond` a thermostat's level (°C)."""
    return min(most, beyond * beyond / (2 * error * error))
