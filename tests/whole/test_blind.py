"""A probe that dies while its alarm stands: nobody is told that the danger is over."""

from __future__ import annotations

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
