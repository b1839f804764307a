"""Another program takes what the broker has for us: a notice says so, and the heartbeat stops."""

from __future__ import annotations

import pytest

from tests.whole.promise import heart_stopped
from tests.whole.world import Config, Make


@pytest.mark.parametrize("contested", [True, False])
def test_the_heartbeat_stops_while_another_program_throws_us_out(
    make: Make, monkeypatch: pytest.MonkeyPatch, contested: bool
) -> None:
    world = make(Config(tanks=("hallway",)))
    world.run(60)
    began = world.true_ms
    monkeypatch.setattr(world.broker, "contested", lambda: contested, raising=False)
    world.run(60)
    assert heart_stopped(world, began, world.true_ms) is contested
    taken = world.targets["json://first/"].taken
    minutes = [(message.time_ms - began) // 60_000 for message in taken]
    assert minutes == ([10, 25, 40, 55] if contested else [])  # and again every quarter of an hour
    assert all("another program" in message.title and "client_id" in message.body for message in taken)
    monkeypatch.setattr(world.broker, "contested", lambda: False, raising=False)
    began = world.true_ms
    world.run(60)
    assert world.beats[-1] > began
    ends = [message for message in taken if message.time_ms >= began]
    assert [message.title.split(":")[0] for message in ends] == ["Over"] * contested
    assert all(message.priority == "cleared" for message in ends)


def test_of_a_contest_that_is_soon_over_nobody_is_told(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    world = make(Config(tanks=("hallway",)))
    world.run(30)
    for minutes, lasts in ((9, True), (5, False), (9, True), (20, False), (11, True)):
        assert not world.targets["json://first/"].taken
        monkeypatch.setattr(world.broker, "contested", lambda lasts=lasts: lasts, raising=False)
        world.run(minutes)
    assert len(world.targets["json://first/"].taken) == 1  # the last one lasts
