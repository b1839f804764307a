"""The settings read again in the middle of the night: no alarm is lost by it, none comes twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.whole.promise import holds
from tests.whole.tanks import Board
from tests.whole.world import SIGHUP, Config, Make

SECOND = "json://second/"
ALL = Config()
ONE = Config(tanks=("hallway",))


def test_a_delay_that_runs_goes_on_although_the_settings_change_every_four_minutes(make: Make) -> None:
    world = make(ONE, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    world.board("hallway").faults.add("gas")
    limits = (26.9, 26.8)
    for number in range(30):
        world.reload(replace(ONE, high_c=limits[number % 2]))
        world.run(4)
    first = min(span.start_ms for span in world.reference.spans if span.family == "gas")
    told = world.told("hallway", "co2-overdose")
    assert told and told[0].time_ms - first < 3 * 60_000
    assert world.process is not None and world.process.began_ms < first  # it was never restarted
    holds(world)


def test_an_alarm_that_stands_reaches_a_target_that_is_added_and_the_first_hears_it_once(make: Make) -> None:
    world = make(replace(ONE, resend_min=600.0), [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(90)
    before = len(world.told("hallway", "temperature-high"))
    assert before >= 1
    world.reload(replace(ONE, resend_min=600.0, targets=("json://first/", SECOND)))
    world.run(5)
    assert len(world.told("hallway", "temperature-high", SECOND)) == 1
    assert len(world.told("hallway", "temperature-high")) == before
    holds(world)


def test_a_tank_goes_comes_back_and_a_new_one_is_watched(make: Make) -> None:
    porch = Board("porch", "mapped", ("temperature",))
    world = make(None, [*_three(), porch])
    world.run(30)
    world.reload(replace(ALL, tanks=("hallway", "loft")))
    world.run(20)
    assert world.process is not None
    began = world.process.began_ms
    world.reload(replace(ALL, tanks=("hallway", "shed", "loft", "porch")))
    world.run(10)
    world.board("shed").faults.add("cold")
    porch.faults.add("hot")
    world.run(120)
    assert world.told("shed", "temperature-low") and world.told("porch", "temperature-high")
    assert world.process.began_ms == began
    holds(world)


def test_a_limit_that_is_lowered_counts_at_once_and_one_that_is_raised_ends_the_alarm(make: Make) -> None:
    world = make(ONE, [Board("hallway", "mqtt", ("temperature",))])
    world.run(60)
    assert not world.told("hallway", "temperature-high")
    world.reload(replace(ONE, high_c=22.0))
    world.run(90)
    assert world.told("hallway", "temperature-high")
    world.reload(replace(ONE, high_c=27.0))
    world.run(60)
    assert world.targets["json://first/"].taken[-1].about() == [("hallway", "temperature-high", True)]


def _three() -> list[Board]:
    return [
        Board("hallway", "mqtt", ("temperature", "ph")),
        Board("shed", "mapped", ("temperature",)),
        Board("loft", "serial", ("temperature", "ph", "heater_power"), timed=False),
    ]


def test_of_a_tank_that_was_taken_out_nothing_more_is_sent_until_it_is_back(make: Make) -> None:
    world = make(replace(ALL, resend_min=15.0), _three())
    world.run(30)
    world.board("shed").faults.add("cold")
    world.run(120)
    taken = world.targets["json://first/"].taken
    assert world.told("shed", "temperature-low")
    world.reload(replace(ALL, tanks=("hallway", "loft")))
    world.run(1)
    before = len(taken)
    world.run(90)
    assert len(taken) == before
    world.reload(ALL)
    world.run(30)
    assert len(taken) > before  # the reminder goes on
    holds(world)


def test_on_a_full_disk_the_new_settings_wait_and_the_alarms_do_not(make: Make) -> None:
    world = make(ONE, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(60)
    world.disk_full = True
    world.run(5)
    assert world.process is not None
    began = world.process.began_ms
    text = replace(ONE, high_c=22.0).text()
    (world.folder / "rushlight.toml").write_text(text)
    world.process.handlers[SIGHUP](SIGHUP, None)
    world.board("hallway").faults.add("gas")
    world.run(120)
    assert world.told("hallway", "co2-overdose") and not world.told("hallway", "temperature-high")
    world.disk_full = False
    world.run(90)
    assert world.told("hallway", "temperature-high")  # 22 °C is in force, and nobody had to ask again
    assert world.process.began_ms == began


@pytest.mark.parametrize("hours", [-72, -6, 6, 72])
def test_a_clock_that_is_stepped_around_it_costs_no_alarm(make: Make, hours: float) -> None:
    world = make(ALL, _three())
    world.run(60)
    world.board("shed").faults.add("cold")
    world.run(3)
    world.step_clock(hours * 3600)
    world.reload(replace(ALL, high_c=26.5))
    world.run(240)
    assert world.told("shed", "temperature-low")
    world.right_clock()
    world.reload(ALL)
    world.board("hallway").faults.add("gas")
    world.run(240)
    assert world.told("hallway", "co2-overdose")
    holds(world)


@pytest.mark.parametrize("taken_out", [True, False])
def test_an_overdose_that_the_settings_no_longer_let_be_judged_is_not_called_over(
    make: Make, taken_out: bool
) -> None:
    """Its twin: where the gas itself ends, it is."""
    world = make(ONE, [Board("hallway", "mqtt", ("temperature", "ph"))])
    world.run(30)
    world.board("hallway").faults.add("gas")
    world.run(150)
    assert world.told("hallway", "co2-overdose")
    if taken_out:
        world.reload(replace(ONE, hardness=None))
    else:
        world.board("hallway").faults.clear()
    began = world.true_ms
    world.run(180)
    ends = [m for m in world.targets["json://first/"].taken if m.time_ms >= began]
    (end,) = [m for m in ends if m.priority == "cleared" and "co2-overdose" in m.body]
    asked = world.told("hallway", "co2-overdose", since_ms=end.time_ms)
    if taken_out:
        assert end.title.startswith("Not judged any more, the settings have no hardness: CO2 ")
        assert "not known to be over" in end.body and "good again" not in end.body
        assert asked, "nobody has answered"
    else:
        assert end.title.startswith("Over: CO2 ") and not asked
