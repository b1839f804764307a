"""Kinds of tank beside the usual draw: `python -m bench.diagnosis.generate --world NAME`."""

from __future__ import annotations

from bench.diagnosis.worlds.gas import CONTROLLER, NEAR_LIMIT
from bench.diagnosis.worlds.kind import Kind
from bench.diagnosis.worlds.lamps import TWO_PERIODS
from bench.diagnosis.worlds.sensors import COARSE, FIVE_MINUTES
from bench.diagnosis.worlds.soils import SOIL_TAP, SOIL_TESTED

__all__ = ["USUAL", "WORLDS", "Kind"]

USUAL = Kind("usual", "the usual draw")
WORLDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (USUAL, COARSE, FIVE_MINUTES, SOIL_TAP, SOIL_TESTED, CONTROLLER, TWO_PERIODS, NEAR_LIMIT)
}
