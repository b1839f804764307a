"""A probe that dies while its alarm stands: nobody is told that the danger is over."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.whole.tanks import Board
from tests.whole.world import Config, Make

ONE = Config(tanks=("hallway",))


@pytest.mark.parametrize(
    ("fault", "alarm", "left"),
    [("gas", "co2-overdose", ("temperature",)), ("hot", "temperature-high", ("ph",))],
)
@pytest.mark.parametrize("dies", [True, False])
def test_a_danger_that_nobody_can_see_any_more_is_not_called_over(
    make: Make, fault: str, alarm: str, left: tuple[str, ...], dies: bool
) -> None:
    world = make(ONE, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    board = world.board("hallway")
    board.faults.add(fault)
    world.run(120)
    assert world.told("hallway", alarm)
    if dies:
        board.quantities = left
    else:
        board.faults.clear()
    world.run(240)
    taken = world.targets["json://first/"].taken
    (ended,) = [m for m in taken if ("hallway", alarm, True) in m.about()]
    assert ended.title.startswith("Not seen any more" if dies else "Over: ")
    assert ("good again" in ended.body) is not dies


@pytest.mark.parametrize(
    ("fault", "alarm", "left"),
    [("gas", "co2-overdose", ("temperature",)), ("hot", "temperature-high", ("ph",))],
)
def test_at_night_it_goes_on_being_sent_until_somebody_answers(
    make: Make, fault: str, alarm: str, left: tuple[str, ...]
) -> None:
    quiet = replace(ONE, quiet=("09:00", "23:00"))  # UTC; the world begins at 09:50
    world = make(quiet, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    board = world.board("hallway")
    board.faults.add(fault)
    world.run(120)
    board.quantities = left
    world.run(120)
    taken = world.targets["json://first/"].taken
    ended = next(m for m in taken if m.title.startswith("Not seen any more"))
    world.run(60)
    assert len(world.told("hallway", alarm, since_ms=ended.time_ms)) >= 4
    world.acknowledge("hallway", alarm)
    world.run(1)
    said = len(taken)
    world.run(120)
    assert not [m for m in taken[said:] if ("hallway", alarm, False) in m.about()]


def test_where_it_is_seen_again_the_new_one_is_sent_and_the_old_one_is_not(make: Make) -> None:
    world = make(ONE, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    board = world.board("hallway")
    board.faults.add("hot")
    world.run(120)
    board.quantities = ("ph",)
    world.run(120)
    board.quantities = ("temperature", "ph")
    world.run(180)
    began = world.true_ms
    world.run(90)
    told = world.told("hallway", "temperature-high", since_ms=began)
    names = {m.body.rpartition("Alarm: ")[2].split()[0] for m in told}
    assert len(names) == 1 and 5 <= len(told) <= 7  # every 15 min, and of one occurrence
