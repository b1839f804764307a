"""What a person asked of a service that hung or died: it is done as it was meant then, or not at all."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing

import pytest

from rushlight.collector.errors import StoreError
from rushlight.collector.store.embedded import EmbeddedStore
from tests.whole.promise import holds
from tests.whole.tanks import Board
from tests.whole.world import Config, Make, World

ONE = Config(tanks=("hallway",))


@pytest.fixture
def world(make: Make) -> World:
    made = make(ONE, [Board("hallway", "mqtt", ("temperature", "ph"))])
    made.run(30)
    return made


def outcomes(world: World) -> list[str]:
    """Of all requests, in their order; "" where one is open."""
    with closing(EmbeddedStore(world.path, read_only=True)) as store:
        found: list[str] = []
        while len(found) < 1000:
            try:
                found.append(store.request_outcome(len(found) + 1) or "")
            except StoreError:
                break
        return found


def ask_and_be_down(world: World, hours: float, ask: Callable[[], None]) -> None:
    """It dies before it has answered, and is back after that."""
    world.kill(hours * 3600)
    ask()
    world.answered.clear()  # nobody has seen what comes
    world.disturbed = [one for one in world.disturbed if one[2] != "shelved"]


def test_a_shelf_that_was_over_before_the_service_was_back_silences_nothing(world: World) -> None:
    ask_and_be_down(world, 10, lambda: world.shelve("hallway", "co2-overdose", 120))
    world.run(600)
    world.board("hallway").faults.add("gas")
    world.run(150)
    assert outcomes(world)[0].startswith("refused: hallway/co2-overdose: the shelf was over by")
    assert world.told("hallway", "co2-overdose")
    holds(world)


def test_a_shelf_ends_when_it_was_meant_to_however_late_it_begins(world: World) -> None:
    ask_and_be_down(world, 1, lambda: world.shelve("hallway", "co2-overdose", 120))
    until_ms = world.true_ms + 120 * 60_000
    world.board("hallway").faults.add("gas")
    world.run(119)
    assert outcomes(world)[0].startswith("done: hallway/co2-overdose shelved until")
    assert not world.told("hallway", "co2-overdose")
    world.run(10)
    assert world.told("hallway", "co2-overdose")[0].time_ms >= until_ms


@pytest.mark.parametrize("named", [False, True])
def test_an_answer_is_not_taken_for_one_to_an_alarm_that_was_raised_after_it(
    world: World, named: bool
) -> None:
    board = world.board("hallway")
    board.faults.add("hot")
    world.run(120)
    before = world.told("hallway", "temperature-high")
    assert before
    ask_and_be_down(world, 6, lambda: world.acknowledge("hallway", "temperature-high"))
    board.faults.clear()
    world.run(150)
    board.faults.add("hot")  # the board keeps on reporting, and the broker keeps what it says
    world.run(270)
    assert "raised only after that was asked for" in outcomes(world)[0]
    again = world.told("hallway", "temperature-high", since_ms=before[-1].time_ms + 1)
    assert again, "the second alarm was taken for answered"
    if named:
        world.acknowledge("hallway", "temperature-high")
        world.run(1)
        assert outcomes(world)[1] == "done: hallway/temperature-high acknowledged"
        count = len(world.told("hallway", "temperature-high"))
        world.run(60)
        assert len(world.told("hallway", "temperature-high")) == count
    holds(world)
