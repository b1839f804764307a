"""Another program takes what the broker has for us: whoever watches the heartbeat is called."""

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
    monkeypatch.undo()
    began = world.true_ms
    world.run(10)
    assert world.beats[-1] > began
