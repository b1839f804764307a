"""Kinds of tank beside the usual draw: `python -m bench.diagnosis.generate --world NAME`."""

from __future__ import annotations

from bench.diagnosis.worlds.boards import SHOESTRING
from bench.diagnosis.worlds.care import SWITCHED_STRIP
from bench.diagnosis.worlds.gas import ALWAYS, CONTROLLER, LOW_GAS, NEAR_LIMIT
from bench.diagnosis.worlds.kind import Kind
from bench.diagnosis.worlds.lamps import TWO_PERIODS
from bench.diagnosis.worlds.outdoors import TUB
from bench.diagnosis.worlds.places import HUGE, LID, SUN, TINY, TWO_HEATERS
from bench.diagnosis.worlds.sensors import COARSE, FIVE_MINUTES
from bench.diagnosis.worlds.soils import SOIL_TAP, SOIL_TESTED
from bench.diagnosis.worlds.waters import HUMIC, NEW_TANK

__all__ = ["USUAL", "WORLDS", "Kind"]

USUAL = Kind("usual", "the usual draw")
WORLDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        USUAL,
        COARSE,
        FIVE_MINUTES,
        SOIL_TAP,
        SOIL_TESTED,
        CONTROLLER,
        TWO_PERIODS,
        NEAR_LIMIT,
        LOW_GAS,
        ALWAYS,
        TINY,
        HUGE,
        HUMIC,
        SUN,
        TWO_HEATERS,
        LID,
        NEW_TANK,
        TUB,
        SWITCHED_STRIP,
        SHOESTRING,
    )
}
