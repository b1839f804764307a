"""The watch judges on, whatever comes: no step, interval, gap, constant or wild value raises an error."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Reading
from rushlight.collector.settings import TankSettings, parse_settings

BEGAN = 1_772_323_200_000
BASE = """
[tanks.alcove]
volume_litres = {volume}
timezone = "{zone}"
report_every_s = {every}
[tanks.alcove.livestock]
temperature_low_c = 18
temperature_high_c = 27
co2_limit_mg_l = 30
"""
PARTS = [
    "[tanks.alcove.water]\ncarbonate_hardness_dkh = {kh}\n",
    "[tanks.alcove.water]\ncarbonate_hardness_dkh = {kh}\ndegassed_ph = 7.8\nph_low = 6.0\nph_high = 8.0\n",
    "[tanks.alcove.heater]\nsetpoint_c = 24\n",
    "[tanks.alcove.heater]\nsetpoint_c = 24\nwatts = 50\n",
    '[tanks.alcove.cooler]\nsetpoint_c = 26\nkind = "fan"\n',
    '[tanks.alcove.light]\non = "10:00"\noff = "18:00"\n',
    '[tanks.alcove.light]\non = "22:00"\noff = "06:00"\nramp_min = 30\n',
    '[tanks.alcove.co2]\nsource = "cylinder"\non = "09:00"\noff = "17:00"\n',
    '[tanks.alcove.co2]\nsource = "yeast"\n',
]
LEVELS = {
    "temperature": (24.0, 0.6),
    "room_temperature": (20.0, 2.0),
    "ph": (7.0, 0.5),
    "light": (3000.0, 3000.0),
    "heater_power": (40.0, 40.0),
}
WILD = [0.0, -0.0, 1e-300, -1e-9, 5e-324, 85.0, -127.0, 14.0, 65535.0, 1e9, -1e9, 1e300, -1.7e308]


@st.composite
def shapes(draw: st.DrawFn) -> TankSettings:
    """A tank with or without each of the parts."""
    text = BASE.format(
        volume=draw(st.sampled_from([5, 60, 800])),
        zone=draw(st.sampled_from(["UTC", "Europe/Lisbon", "Australia/Lord_Howe"])),
        every=draw(st.sampled_from([1, 10, 60, 300, 900, 3600])),
    )
    heads: set[str] = set()
    for part in draw(st.permutations(PARTS)):
        head = part.splitlines()[0]
        if head not in heads and draw(st.booleans()):
            heads.add(head)
            text += part.format(kh=draw(st.sampled_from([0.1, 4.0, 20.0])))
    return parse_settings(text).tanks["alcove"]


@st.composite
def stretches(draw: st.DrawFn) -> list[dict[str, Any]]:
    """What the series do, one stretch after the other."""
    stretch = st.fixed_dictionaries(
        {
            "reports": st.integers(1, 90),
            "every_s": st.sampled_from([1, 10, 60, 300, 300, 900, 3600, 43_200]),
            "gap_s": st.sampled_from([0, 0, 0, 600, 7200, 86_400, 40 * 86_400, -120, -7200, -86_400]),
            "step": st.sampled_from([0.0, 0.001, 0.0625, 0.1, 0.5, 1.0, 7.0, 1e-12]),
            "kind": st.sampled_from(["rest", "rest", "noise", "telegraph", "ramp", "wild", "faults"]),
            "quantities": st.sets(st.sampled_from(sorted(LEVELS)), min_size=1),
        }
    )
    return draw(st.lists(stretch, min_size=1, max_size=8))


def value_of(kind: str, quantity: str, n: int, step: float, chance: random.Random) -> float | None:
    level, swing = LEVELS[quantity]
    if kind == "wild":
        return chance.choice(WILD)
    if kind == "faults" and chance.random() < 0.6:
        return None
    if kind == "noise":
        level += chance.gauss(0, swing)
    elif kind == "telegraph":
        level += swing * (n // 3 % 2)
    elif kind == "ramp":
        level += swing * n / 20
    return round(level / step) * step if step else level


def fed(shape: TankSettings, course: list[dict[str, Any]], seed: int, flagged: bool) -> TankWatch:
    """All of it, through the quality flags, or with every reading called good."""
    chance = random.Random(seed)
    watch = TankWatch("alcove", shape)
    intake = Intake(parse_settings(BASE.format(volume=60, zone="UTC", every=60)))
    time_ms = BEGAN
    for stretch in course:
        time_ms += stretch["gap_s"] * 1000
        for n in range(stretch["reports"]):
            time_ms += stretch["every_s"] * 1000
            for quantity in sorted(stretch["quantities"]):
                value = value_of(stretch["kind"], quantity, n, stretch["step"], chance)
                reading = Reading("alcove", quantity, time_ms, value, 9 if value is None else 1)
                for one in intake.take(reading) if flagged else [reading]:
                    watch.feed(one)
        watch.tick(time_ms + 1)
        watch.beliefs()
    return watch


@pytest.mark.timeout(600)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(shapes(), stretches(), st.integers(0, 2**16), st.booleans())
def test_no_input_raises(shape: TankSettings, course: list[dict[str, Any]], seed: int, flagged: bool) -> None:
    watch = fed(shape, course, seed, flagged)
    again, third = TankWatch("alcove", shape), TankWatch("alcove", shape)
    again.restore(watch.snapshot())  # a whole number may come back as a float
    third.restore(again.snapshot())
    assert third.snapshot() == again.snapshot()
