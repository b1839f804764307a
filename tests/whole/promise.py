"""The one sentence that is held, and what it can't promise.

    Every alarm that the same readings raise in an undisturbed replay has reached every target within its
    time, once, or the heartbeat has stopped.

*Alarm*: a danger to animals (`reference.FAMILIES`), of one tank. Which cause is named (a heater stuck on, or
water that is too warm) may differ: what a person hears of is the danger. *Undisturbed replay*: the same
analysis over the readings that got as far as a broker or an open serial line, each once, at the true time of
its measuring (`reference.Reference`). So a fault of the judgement itself is not seen here; that is what the
other tests of the analysis are for. *Once*: the same words are not taken twice by a target, and reminders
keep their pace.

Two more are held beside it: no report is acknowledged to the broker that is not in the store's file, and no
board is called silent that is not.

*Within its time*: `NOTICE_WITHIN_MS` where nothing is in the way. What is in the way puts it off until it is
over and its `SETTLES_MS` have passed; the alarm must be sent then if it is still active. A full disk is no
excuse at all.

What is not promised, and so not asked for here:

- An alarm that was over before it could be sent: within a power cut of the collector, or within the settling
  behind a step of a clock. A judgement that needs an hour of readings needs that hour again where a clock has
  stepped inside it.
- Readings of a serial line while nobody reads it. What a board without a clock sent while the service was
  down has the time at which it came in, so it says nothing of how long something lasted.
- Anything about a tank that is not in the settings, and what a person has shelved.
- A notice that a target does not take: then the heartbeat must stop, whatever the other targets take
  (`HEART_STOPS_FOR_TARGET_MS`), until it takes one or is taken out of the settings.
- Exactly once across a kill between the sending and its mark on the disk, or while that mark can't be
  written: such a notice may come once more for each such kill.
"""

from __future__ import annotations

from collections import Counter

from tests.whole.reference import Span, family_of
from tests.whole.world import BEGAN_MS, FOR_EVER, Message, World

__all__ = ["NOTICE_WITHIN_MS", "SETTLES_MS", "broken", "heart_stopped", "holds", "lost_readings"]

MINUTE_MS = 60_000

NOTICE_WITHIN_MS = 10 * MINUTE_MS
"""A report comes every two minutes, a tick every five seconds, a storm is gathered for two minutes, a target
that hangs holds the others for one; with room for a store that is tried again every half-minute."""

SETTLES_MS: dict[str, int] = {
    "down": 10 * MINUTE_MS,  # taken up where it was: the minute of grace, what waited at the broker
    "long down": 60 * MINUTE_MS,  # a gap in the readings: the patience of 45 min runs again
    "clock": 60 * MINUTE_MS,  # the same
    "board clock": 60 * MINUTE_MS,
    "store lost": 75 * MINUTE_MS,  # started again by whoever looks after it, and all is learnt anew
    "settings": 10 * MINUTE_MS,
    "target": 20 * MINUTE_MS,  # the longest pause between two attempts is 15 min
    "shelved": 10 * MINUTE_MS,
}
"""How long after a disturbance an alarm may be late; common practice, no source."""

QUIET_MS = 180 * MINUTE_MS
"""What can kill before the quiet hours end wakes, but it may first have to come so far."""
LONG_DOWN_MS = 5 * MINUTE_MS
HEART_STOPS_MS = 12 * MINUTE_MS
"""Two beats of five minutes were missed, and some: whoever watches the heartbeat has noticed."""

HEART_STOPS_FOR_TARGET_MS = 50 * MINUTE_MS
"""A target may owe an alarm for half an hour; then the beat on its way, and two that are missed."""


def broken(world: World) -> list[str]:
    """What breaks the sentence until now, in words; empty where it holds."""
    return [*_not_sent(world), *_sent_twice(world), *_false_silence(world), *lost_readings(world)]


def holds(world: World) -> None:
    """The sentence, for all that has happened until now."""
    faults = broken(world)
    assert not faults, "\n".join(faults)


def _not_sent(world: World) -> list[str]:
    found = []
    for url in world.config.targets:
        for span in world.reference.spans:
            due = _deadline(world, span, url)
            over = world.true_ms if span.end_ms is None else span.end_ms
            if due >= over or span.tank not in world.config.tanks:
                continue
            if _knows(world.targets[url].taken, span, due) or heart_stopped(world, span.start_ms, due):
                continue
            if any(who == (span.tank, span.family) and at <= due for at, who in world.answered):
                continue
            found.append(
                f"{span.tank}: {span.family!r} stands from minute {_minute(world, span.start_ms)}"
                f" (to {_minute(world, over)}), {url} had no word of it by minute {_minute(world, due)},"
                " and the heartbeat went on"
            )
    return found


def _deadline(world: World, span: Span, url: str) -> int:
    """Until when it must be told: pushed on by each disturbance that begins before and reaches beyond."""
    due = max(span.start_ms, world.since.get(url, 0)) + NOTICE_WITHIN_MS
    if world.was_quiet and span.family != "gas":
        due += QUIET_MS
    passed: set[int] = set()
    moved = True
    while moved:
        moved = False
        for at, (begin, end, kind, whom) in enumerate(world.disturbed):
            if whom not in ("", url, span.tank, f"{span.tank} {span.family}") or at in passed:
                continue
            if kind == "down" and end - begin > LONG_DOWN_MS:
                kind = "long down"
            free = end + SETTLES_MS[kind]
            if kind == "target":  # dead for ever is no excuse for ever
                free = min(free, due + HEART_STOPS_FOR_TARGET_MS)
            if begin <= due < free and free > span.start_ms:
                due = free
                moved = True
                passed = passed | {at} if kind == "target" else set()
    return due


def _knows(taken: list[Message], span: Span, due: int) -> bool:
    """Whether a target has heard of the danger by then, and not before it stood that it was over."""
    standing: dict[str, int] = {}
    for message in taken:
        if message.time_ms > due:
            break
        for tank, alarm, over in message.about():
            if tank != span.tank or family_of(alarm) != span.family:
                continue
            if not over:
                standing[alarm] = message.time_ms
            elif standing.get(alarm, 0) < span.start_ms - NOTICE_WITHIN_MS:
                standing.pop(alarm, None)
    return bool(standing)


def heart_stopped(world: World, start: int, due: int) -> bool:
    """Whether whoever watches the heartbeat has missed it in between."""
    last = BEGAN_MS
    for beat in [*world.beats, world.true_ms]:
        if beat - last > HEART_STOPS_MS and beat > start and last < due:
            return True
        last = beat
    return False


def _sent_twice(world: World) -> list[str]:
    found = []
    for url, target in world.targets.items():
        # a reminder says how long nobody has answered, unless it is gathered with others into one notice
        alone = [m for m in target.taken if len(m.about()) == 1 and "Not acknowledged for" not in m.body]
        same = Counter((m.title, m.body) for m in alone)
        more = sum(count - 1 for count in same.values())
        if more > world.sent_unmarked:
            words = next(title for (title, _), count in same.items() if count > 1)
            found.append(f"{url} has taken the same notice {more} times more than once: {words!r}")
        most = _most_in_an_hour(target.taken)
        steps = sum(kind == "clock" for *_, kind, _ in world.disturbed)
        allowed = round(60 / world.config.resend_min) + 8 + world.sent_unmarked + 2 * steps
        if most > allowed:
            found.append(f"{url} has taken {most} notices of one danger in an hour; {allowed} are the most")
    return found


def _false_silence(world: World) -> list[str]:
    """That a board is silent is said of one that is; where nothing held the notice up meanwhile."""
    if world.was_quiet:
        return []
    found = []
    for url, target in world.targets.items():
        for message in target.taken:
            at = message.time_ms
            held_up = any(
                begin <= at and end > at - 60 * MINUTE_MS
                for begin, end, kind, _ in world.disturbed
                if kind in ("down", "settings", "target", "store lost", "shelved")
            )
            # a broker hands on only so many reports that nothing can store (docs/data-safety.md)
            held_up = held_up or any(at - 60 * MINUTE_MS < ms <= at for ms in world.broker.held_back_ms)
            if held_up or "Not acknowledged for" in message.body or len(message.about()) != 1:
                continue
            for tank, alarm, over in message.about():
                heard = sum(at - 15 * MINUTE_MS < time <= at for time in world.heard.get(tank, []))
                if alarm == "device-silent" and not over and heard > 5:
                    found.append(
                        f"{url} was told in minute {_minute(world, at)} that {tank} is silent; "
                        f"{heard} reports had come in the quarter of an hour before"
                    )
    return found


def lost_readings(world: World) -> list[str]:
    """Tanks of which more was acknowledged to the broker than is in the store's file."""
    if any(kind == "store lost" for *_, kind, _ in world.disturbed):
        return []
    found = []
    for board in world.boards:
        taken = world.broker.acknowledged.get(board.tank, 0)
        if board.way == "serial" or not taken or board.tank in world.left_out:
            continue
        kept = world.stored(board.tank)
        if kept < taken:
            found.append(f"{board.tank}: {taken} reports were acknowledged, {kept} are kept")
    return found


def _most_in_an_hour(taken: list[Message]) -> int:
    times: dict[tuple[str, str], list[int]] = {}
    for message in taken:
        for key in {(tank, family_of(alarm) or alarm) for tank, alarm, _ in message.about()}:
            times.setdefault(key, []).append(message.time_ms)
    most = 0
    for moments in times.values():
        first = 0
        for at, moment in enumerate(moments):
            while moments[first] < moment - 60 * MINUTE_MS:
                first += 1
            most = max(most, at - first + 1)
    return most


def _minute(world: World, time_ms: int) -> str:
    return "for ever" if time_ms >= FOR_EVER else f"{(time_ms - BEGAN_MS) / MINUTE_MS:.0f}"
