"""The whole service through random faults, steps of clocks, kills, full disks, failing targets, new settings.

`promise` has the sentence that must hold after each step and at the end, when all is put right again and two
hours have passed. The same cases come each time. For a long run, with others each time and the shortest way
to a failure:

    RUSHLIGHT_WHOLE_EXAMPLES=500 .venv/bin/python -m pytest tests/whole/test_random.py
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.whole.promise import broken
from tests.whole.tanks import Board
from tests.whole.world import World, usual_boards

EXAMPLES = int(os.environ.get("RUSHLIGHT_WHOLE_EXAMPLES", "0"))
FEW = 12
STEPS = 16

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0
SPANS_S = (6.0, 10 * MINUTE_S, HOUR_S, 6 * HOUR_S, 3 * DAY_S, 30 * DAY_S, 500 * DAY_S, 3000 * DAY_S)
STEPS_S = st.sampled_from([sign * span for span in SPANS_S for sign in (1, -1)])
TANKS = st.sampled_from(["hallway", "shed", "loft"])
FAULTS = st.sampled_from(["hot", "cold", "gas", "heater"])
URLS = ("json://first/", "json://second/")
PLACES = ("before commit", "after commit", "before acknowledge", "after acknowledge", "after send")
ALARMS = st.sampled_from(["temperature-high", "temperature-low", "co2-overdose", "device-silent"])

CHANGED = st.fixed_dictionaries(
    {
        "tanks": st.sampled_from(
            [("hallway", "shed", "loft"), ("hallway", "loft"), ("hallway", "shed", "loft", "porch")]
        ),
        "high_c": st.sampled_from([27.0, 25.5]),
        "quiet": st.sampled_from([None, ("12:00", "20:00")]),
    }
)


class Nights(RuleBasedStateMachine):
    """What may happen to somebody's tanks while they sleep."""

    def __init__(self) -> None:
        super().__init__()
        self._folder = tempfile.TemporaryDirectory(prefix="whole")
        porch = Board("porch", "mapped", ("temperature",), on=False)
        self.world = World(Path(self._folder.name), boards=[*usual_boards(), porch])
        self.world.run(20)

    @rule(minutes=st.sampled_from([1, 10, 45, 120]))
    def time_passes(self, minutes: int) -> None:
        self.world.run(minutes)

    # -- the tanks

    @rule(tank=TANKS, fault=FAULTS, minutes=st.sampled_from([45, 120, 240]))
    def a_fault_begins(self, tank: str, fault: str, minutes: int) -> None:
        self.world.board(tank).faults = {fault}
        self.world.run(minutes)

    @rule(tank=TANKS)
    def a_fault_ends(self, tank: str) -> None:
        self.world.board(tank).faults = set()
        self.world.run(1)

    @rule(tank=TANKS, minutes=st.sampled_from([10, 45]))
    def a_board_falls_silent(self, tank: str, minutes: int) -> None:
        self.world.board(tank).on = False
        self.world.run(minutes)

    @rule(tank=TANKS)
    def a_board_boots(self, tank: str) -> None:
        board = self.world.board(tank)
        board.on = True
        board.boot()
        self.world.run(5)

    @rule(seconds=STEPS_S)
    def a_boards_clock_is_wrong(self, seconds: float) -> None:
        self.world.step_board(self.world.board("hallway"), seconds)
        self.world.run(10)

    @rule()
    def a_boards_clock_is_right(self) -> None:
        self.world.step_board(self.world.board("hallway"), 0)
        self.world.run(10)

    # -- the collector

    @rule(seconds=STEPS_S, minutes=st.sampled_from([0.2, 10, 90]))
    def the_clock_steps(self, seconds: float, minutes: float) -> None:
        self.world.step_clock(seconds)
        self.world.run(minutes)

    @precondition(lambda self: self.world.off_ms)
    @rule()
    def the_clock_is_put_right(self) -> None:
        self.world.right_clock()
        self.world.run(1)

    @rule(down_s=st.sampled_from([0, 10, 1200]))
    def it_is_killed(self, down_s: float) -> None:
        self.world.kill(down_s)
        self.world.run(1)

    @rule(place=st.sampled_from(PLACES), down_s=st.sampled_from([1, 300]))
    def it_is_killed_at(self, place: str, down_s: float) -> None:
        self.world.kill_at, self.world.down_s = place, down_s
        self.world.run(15)

    @rule(minutes=st.sampled_from([1, 60, 200]))
    def the_disk_is_full(self, minutes: int) -> None:
        self.world.disk_full = True
        self.world.run(minutes)

    @precondition(lambda self: self.world.disk_full)
    @rule()
    def the_disk_has_room(self) -> None:
        self.world.disk_full = False
        self.world.run(1)

    @rule(replaced=st.booleans())
    def the_store_is_lost(self, replaced: bool) -> None:
        self.world.lose_store(replaced)
        self.world.run(5)

    # -- targets, settings, people

    @rule(url=st.sampled_from(URLS), mood=st.sampled_from(["refuses", "raises", "hangs", "well"]))
    def a_target_changes(self, url: str, mood: str) -> None:
        if url in self.world.targets:
            self.world.target(mood, url)
            self.world.run(10)

    @rule(urls=st.sampled_from([URLS, URLS[:1], URLS[1:], ()]), changed=CHANGED)
    def the_settings_change(self, urls: tuple[str, ...], changed: dict[str, Any]) -> None:
        self.world.restart(replace(self.world.config, targets=urls, **changed))
        self.world.run(2)

    @rule(urls=st.sampled_from([URLS, URLS[:1], URLS[1:]]), changed=CHANGED)
    def the_settings_are_read_again(self, urls: tuple[str, ...], changed: dict[str, Any]) -> None:
        self.world.reload(replace(self.world.config, targets=urls, **changed))
        self.world.run(2)

    @rule(tank=TANKS, alarm=ALARMS)
    def somebody_acknowledges(self, tank: str, alarm: str) -> None:
        self.world.acknowledge(tank, alarm)
        self.world.run(1)

    @rule(tank=TANKS, alarm=ALARMS)
    def somebody_shelves(self, tank: str, alarm: str) -> None:
        self.world.shelve(tank, alarm, 60)
        self.world.run(1)

    @invariant()
    def it_holds(self) -> None:
        faults = broken(self.world)
        assert not faults, "\n".join(faults)

    def teardown(self) -> None:
        world = self.world
        try:
            world.disk_full = False
            world.kill_at = ""
            if world.off_ms:
                world.right_clock()
            for url in world.targets:
                world.target("well", url)
            world.run(120)
            self.it_holds()
        finally:
            world.close()
            self._folder.cleanup()


TestNights = pytest.mark.timeout(0 if EXAMPLES else 300)(Nights.TestCase)
TestNights.settings = settings(
    max_examples=EXAMPLES or FEW,
    stateful_step_count=STEPS * (2 if EXAMPLES else 1),
    deadline=None,
    derandomize=not EXAMPLES,
    database=None,
    report_multiple_bugs=False,
    phases=[Phase.generate, Phase.shrink] if EXAMPLES else [Phase.generate],
    suppress_health_check=list(HealthCheck),
)
