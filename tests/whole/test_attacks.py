"""Attacks on the whole service, one at a time: clocks, disk, files, targets, boards, kills."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rushlight.collector.store.embedded import EmbeddedStore
from tests.whole.promise import broken, heart_stopped, holds
from tests.whole.tanks import Board
from tests.whole.world import Config, Make, World

DAY_S = 86_400.0
MINUTE_MS = 60_000
SECOND = "json://second/"


def only_hallway() -> list[Board]:
    return [Board("hallway", "mqtt", ("temperature", "ph"))]


ONE = Config(tanks=("hallway",))


# -- with nothing in the way; and that the check can fail --------------------------------------------------


def test_each_danger_brings_one_notice_where_nothing_is_in_the_way(make: Make) -> None:
    world = make()
    world.run(60)
    world.board("hallway").faults.add("gas")
    world.board("loft").faults.add("heater")
    world.board("shed").faults.add("cold")
    world.run(150)
    world.board("shed").on = False
    world.run(60)
    assert {(span.tank, span.family) for span in world.reference.spans} == {
        ("hallway", "gas"),
        ("loft", "hot"),
        ("shed", "cold"),
        ("shed", "silent"),
    }
    holds(world)
    assert world.told("hallway", "co2-overdose") and world.told("shed", "device-silent")
    assert not world.ended and len(world.beats) >= 50


def test_with_no_fault_there_is_no_notice(make: Make) -> None:
    world = make()
    world.run(360)
    assert not world.reference.spans and not world.targets["json://first/"].taken
    holds(world)


def test_a_target_that_takes_and_forgets_is_found(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(120)
    holds(world)
    target = world.targets["json://first/"]
    first = target.taken[0]
    target.taken.append(first)
    assert "more than once" in broken(world)[0]
    target.taken.clear()
    assert "had no word of it" in broken(world)[0]
    world.beats = [beat for beat in world.beats if beat < world.reference.spans[0].start_ms]
    assert not broken(world)


# -- clocks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("restarted", [False, True])
@pytest.mark.parametrize("days", [30, 3650])
def test_a_clock_that_was_ahead_for_ten_minutes_silences_nothing_after_it(
    make: Make, days: float, restarted: bool
) -> None:
    world = make()
    world.run(30)
    world.step_clock(days * DAY_S)
    world.run(10)
    world.right_clock()
    if restarted:
        world.restart()
    world.run(60)
    world.board("hallway").faults.add("hot")
    world.board("loft").faults.add("gas")
    world.board("shed").on = False
    world.run(240)
    assert len(world.reference.spans) == 3
    holds(world)


@pytest.mark.parametrize("ago_s", [3 * 3600, 365 * DAY_S, 8 * 365 * DAY_S])
def test_a_clock_that_was_put_back_and_is_put_right_silences_nothing(make: Make, ago_s: float) -> None:
    world = make()
    world.run(30)
    world.step_clock(-ago_s)
    world.run(90)
    world.board("hallway").faults.add("hot")
    world.run(150)
    holds(world)
    world.right_clock()
    world.run(60)
    world.board("shed").on = False
    world.board("loft").faults.add("gas")
    world.run(200)
    holds(world)


def test_an_alarm_that_lasts_while_the_clock_is_put_ahead_and_back_goes_on_being_sent(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(150)
    world.step_clock(30 * DAY_S)
    world.run(10)
    world.right_clock()
    began = world.true_ms
    world.run(90)
    assert len(world.told("hallway", "temperature-high", since_ms=began)) >= 3, "no reminder since"
    holds(world)


def test_a_leap_ahead_drops_no_reading(make: Make) -> None:
    world = make(
        Config(tanks=("hallway",), keep_days="keep_days = { temperature = 365, ph = 365 }"), only_hallway()
    )
    world.run(24 * 60)
    before = world.stored("hallway")
    assert before > 700
    world.step_clock(500 * DAY_S)
    world.run(1)
    world.right_clock()
    world.run(30)
    assert world.stored("hallway") >= before


@pytest.mark.parametrize("hours", [6, 72])
def test_a_board_whose_clock_jumps_back_is_watched_on(make: Make, hours: float) -> None:
    world = make(ONE, only_hallway())
    world.run(60)
    world.step_board(world.board("hallway"), -hours * 3600)
    world.run(90)
    world.board("hallway").faults.add("hot")
    world.run(150)
    world.board("hallway").faults = {"gas"}
    world.run(200)
    assert {span.family for span in world.reference.spans} == {"hot", "gas"}
    holds(world)
    assert not world.told("hallway", "device-silent"), "it has reported all the time"


@pytest.mark.parametrize("days", [-5.0, -0.2, 0.5, 400.0])
def test_a_board_whose_clock_is_wrong_is_silent_only_when_it_is(make: Make, days: float) -> None:
    board = Board("hallway", "mqtt", ("temperature", "ph"), clock_off_ms=round(days * DAY_S * 1000))
    world = make(ONE, [board])
    world.run(240)
    holds(world)
    assert not world.told("hallway", "device-silent"), "it has reported all the time"
    board.on = False
    world.run(60)
    assert world.told("hallway", "device-silent")


def test_a_tank_that_has_never_reported_is_noticed(make: Make) -> None:
    world = make(
        Config(tanks=("hallway", "porch")),
        [*only_hallway(), Board("porch", "mapped", ("temperature",), on=False)],
    )
    world.run(60)
    assert [span.tank for span in world.reference.spans] == ["porch"]
    holds(world)
    assert not world.told("hallway", "device-silent")


# -- disk and files -----------------------------------------------------------------------------------------


def test_an_overdose_on_a_disk_that_is_full_for_eight_hours_is_sent(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(60)
    world.disk_full = True
    world.run(120)
    world.board("hallway").faults.add("gas")
    world.run(360)
    assert [span.family for span in world.reference.spans] == ["gas"]
    holds(world)
    assert world.told("hallway", "co2-overdose"), "nothing was sent while the disk was full"
    world.disk_full = False
    world.run(60)
    holds(world)
    assert world.stored("hallway") >= world.broker.acknowledged["hallway"] > 200


def test_a_reminder_on_a_full_disk_comes_no_more_often(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(90)
    before = len(world.targets["json://first/"].taken)
    assert before
    world.disk_full = True
    world.run(120)
    after = len(world.targets["json://first/"].taken)
    assert 6 <= after - before <= 20  # one in a quarter of an hour, and as many about the disk
    holds(world)


def test_killed_while_the_disk_is_full_and_the_clock_steps_it_takes_up_again(make: Make) -> None:
    world = make()
    world.run(30)
    world.disk_full = True
    world.board("hallway").faults.add("hot")
    world.run(100)
    world.step_clock(DAY_S)
    world.kill(5)
    world.run(5)
    world.right_clock()
    world.run(10)
    world.disk_full = False
    world.run(90)
    holds(world)
    assert world.told("hallway", "temperature-high")


@pytest.mark.parametrize("replaced", [False, True])
def test_a_store_that_is_removed_or_replaced_is_noticed(make: Make, replaced: bool) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    lost_at = world.true_ms
    world.lose_store(replaced)
    world.run(4)
    world.broker.acknowledged.clear()
    world.run(60)
    acknowledged = world.broker.acknowledged.get("hallway", 0)
    kept = world.stored("hallway") if world.path.exists() else 0
    assert kept >= acknowledged, f"{acknowledged} reports were acknowledged, {kept} are in the store's file"
    said = [m for m in world.targets["json://first/"].taken if m.time_ms > lost_at]
    assert said or world.ended or heart_stopped(world, lost_at, world.true_ms), "nobody has a word of it"


# -- targets ------------------------------------------------------------------------------------------------


def test_an_alarm_raised_while_no_target_was_set_reaches_the_one_that_is_set_later(make: Make) -> None:
    world = make(replace(ONE, targets=()), only_hallway())
    world.run(30)
    world.board("hallway").faults.add("gas")
    world.run(150)
    assert world.reference.spans
    world.restart(ONE)
    world.run(30)
    holds(world)
    assert world.told("hallway", "co2-overdose")


def test_an_active_alarm_reaches_a_second_target_too(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(120)
    world.restart(replace(ONE, targets=("json://first/", SECOND)))
    world.run(30)
    holds(world)
    assert world.told("hallway", "temperature-high", SECOND)


@pytest.mark.parametrize("mood", ["refuses", "raises", "hangs"])
def test_a_target_that_fails_holds_up_no_other_and_gets_the_alarm_when_it_is_well(
    make: Make, mood: str
) -> None:
    world = make(replace(ONE, targets=("json://first/", SECOND)), only_hallway())
    world.run(30)
    world.target(mood)
    world.board("hallway").faults.add("gas")
    world.run(150)
    assert world.told("hallway", "co2-overdose", SECOND)
    holds(world)
    began = world.reference.spans[0].start_ms
    assert heart_stopped(world, began, world.true_ms), "who hears only by this target has no word of it"
    dead = list(world.beats)
    world.beats += range(began, world.true_ms, 5 * MINUTE_MS)
    assert "json://first/ had no word of it" in broken(world)[0], "a heart that beats on is not found"
    world.beats = dead
    world.target("well")
    world.run(30)
    holds(world)
    assert world.told("hallway", "co2-overdose")
    assert world.beats[-1] > world.true_ms - 10 * MINUTE_MS, "it beats again"


def test_a_dead_target_that_is_taken_out_of_the_settings_stops_no_heartbeat(make: Make) -> None:
    world = make(replace(ONE, targets=("json://first/", SECOND)), only_hallway())
    world.run(30)
    world.target("refuses")
    world.board("hallway").faults.add("hot")
    world.run(150)
    assert world.beats[-1] < world.true_ms - 20 * MINUTE_MS
    world.reload(replace(ONE, targets=(SECOND,)))
    world.run(20)
    assert world.beats[-1] > world.true_ms - 10 * MINUTE_MS
    holds(world)


def test_where_no_target_takes_an_alarm_the_heartbeat_stops(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    world.target("refuses")
    world.board("hallway").faults.add("gas")
    world.run(150)
    assert heart_stopped(world, world.reference.spans[0].start_ms, world.true_ms)


@pytest.mark.parametrize("danger", ["hot", "gas", "silent"])
def test_what_can_kill_before_the_quiet_hours_end_wakes(make: Make, danger: str) -> None:
    world = make(replace(ONE, quiet=("11:00", "21:00")), only_hallway())
    world.run(90)  # 11:20
    if danger == "silent":
        world.board("hallway").on = False
    else:
        world.board("hallway").faults.add(danger)
    world.run(300)
    assert [span.family for span in world.reference.spans] == [danger]
    holds(world)
    assert world.targets["json://first/"].taken, "it waits for the end of the quiet hours, nine hours off"


# -- kills --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "place", ["before commit", "after commit", "before acknowledge", "after acknowledge", "after send"]
)
def test_killed_at_any_place_while_an_alarm_rises_it_is_sent(make: Make, place: str) -> None:
    world = make()
    world.run(30)
    for board in world.boards:
        board.faults.add("hot")
    for _ in range(14):
        world.run(7)
        world.kill_at = place
    world.kill_at = ""
    world.run(30)
    assert {span.family for span in world.reference.spans} == {"hot"}
    holds(world)


def test_no_acknowledged_report_of_a_board_without_numbers_is_lost_in_thirty_kills(make: Make) -> None:
    shed = Board("shed", "mapped", ("temperature",), every_s=20, digits=1)
    world = make(Config(tanks=("shed",)), [shed])
    world.run(30)
    for turn in range(30):
        world.kill_at = "before commit" if turn % 3 else "before acknowledge"
        world.down_s = 120
        world.run(7)
    world.kill_at = ""
    world.run(10)
    assert world.broker.acknowledged["shed"] > 600
    assert world.stored("shed") >= world.broker.acknowledged["shed"]


# -- people -------------------------------------------------------------------------------------------------


def test_acknowledged_it_is_quiet_and_over_a_restart_too(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(120)
    world.acknowledge("hallway", "temperature-high")
    world.run(5)
    before = len(world.targets["json://first/"].taken)
    world.kill(10)
    world.run(60)
    assert len(world.targets["json://first/"].taken) == before
    holds(world)


def test_what_was_shelved_is_sent_when_the_shelf_ends(make: Make) -> None:
    world = make(ONE, only_hallway())
    world.run(10)
    world.shelve("hallway", "temperature-high", 240)
    world.board("hallway").faults.add("hot")
    world.run(230)
    assert world.reference.spans and not world.told("hallway", "temperature-high")
    world.run(40)
    assert world.told("hallway", "temperature-high")
    holds(world)


# -- what was kept elsewhere -------------------------------------------------------------------------------


def test_a_danger_that_came_and_went_while_the_line_was_down_is_sent_when_it_is_back(make: Make) -> None:
    """The broker keeps three hours of reports; what lasted two hours in the tank lasts two hours in them."""
    world = make(ONE, only_hallway())
    world.run(60)
    deliver = world.broker._deliver
    assert deliver is not None
    world.broker.cut()
    world.run(30)
    world.board("hallway").faults.add("hot")
    world.run(120)
    world.board("hallway").faults.clear()
    world.run(300)
    (span,) = [span for span in world.reference.spans if span.family == "hot"]
    assert span.end_ms is not None and world.told("hallway", "device-silent")
    assert not world.told("hallway", "temperature-high")
    world.broker.start(deliver)
    world.run(30)
    about = [m for m in world.targets["json://first/"].taken if "temperature-high" in m.body]
    (over,) = about  # it is over: said once, and nobody is called to it
    assert over.priority == "cleared" and "after 2 h" in over.title
    assert not open_alarms(world), "what is over stays open"


def open_alarms(world: World) -> set[str]:
    """What the store says is raised and not cleared."""
    last: dict[str, str] = {}
    with EmbeddedStore(world.path, read_only=True) as store:
        for event in store.events(limit=1000):
            last[f"{event.alarm}/{event.quantity}"] = event.event
    return {alarm for alarm, event in last.items() if event not in ("cleared", "acknowledged")}
