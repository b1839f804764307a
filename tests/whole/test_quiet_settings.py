"""Quiet hours that are changed while notices wait for their end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.whole.tanks import Board
from tests.whole.world import Config, Make

ONE = Config(tanks=("hallway",))
QUIET = replace(ONE, quiet=("09:00", "23:00"))  # UTC; the world begins at 09:50


@pytest.mark.parametrize("restarted", [False, True])
@pytest.mark.parametrize("after", [ONE, replace(ONE, quiet=("21:00", "07:00")), QUIET])
def test_what_waits_for_the_morning_is_sent_where_it_is_quiet_no_more(
    make: Make, after: Config, restarted: bool
) -> None:
    world = make(QUIET, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    world.board("hallway").quantities = ("temperature",)  # nothing that kills
    world.run(150)
    assert not world.told("hallway", "probe-fault")
    if restarted:
        world.restart(after)
    else:
        world.reload(after)
    world.run(5)
    told = world.told("hallway", "probe-fault")
    assert len(told) == (0 if after is QUIET else 1)
