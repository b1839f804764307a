"""Alarms and notices held against what must have come of the readings.

Three witnesses: the order of the events themselves; when the water really was too warm, asked after the last
kill, while nothing more is done to the programs; and, where the clock was never stepped, what an undisturbed
replay of the stored readings raises. Times are compared loosely: on the fast clock a start takes minutes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

from bench.soak.clock import FastClock
from bench.soak.targets import Received
from rushlight.analysis.alarms.wording import utc_text
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import Event
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Notice

__all__ = [
    "SURE_MS",
    "NoticeAudit",
    "audit_notices",
    "cleared_too_soon",
    "compared",
    "replayed",
    "spans",
    "unseen",
]

ALARM = "temperature-high"
SURE_MS = 8 * 60_000  # into a warm time: by then the alarm must stand
_TICK_MS = 60_000
_RIGHT_MS = 25 * 60_000  # so long the clock must have been right before an alarm's end is judged
_NEVER = 1 << 62


def replayed(path: Path, settings: Settings, tank: str) -> list[Event]:
    """What the stored readings of a tank, flags included, make of a fresh analysis, in order of arrival."""
    watch = TankWatch(tank, settings.tanks[tank])
    events: list[Event] = []
    with EmbeddedStore(path, read_only=True) as store:
        tick_ms = 0
        for _, reading in store.arrivals_after(0, tank):
            if tick_ms and reading.time_ms - tick_ms > _TICK_MS:
                events += watch.tick(reading.time_ms - 1)
            tick_ms = max(tick_ms, reading.time_ms)
            events += watch.feed(reading)
    return [event for event in events if event.alarm == ALARM]


def spans(events: Iterable[Event]) -> tuple[list[tuple[int, int]], list[str]]:
    """From when to when the audited alarm stood, ms, and what is wrong in the order of its events."""
    found: list[tuple[int, int]] = []
    faults = []
    standing: dict[str, int] = {}
    for event in events:
        if event.alarm != ALARM:
            continue
        at = milliseconds(event.time)
        if event.event == "raised":
            faults += [f"{event.occurrence}: raised while {other} stood" for other in standing]
            standing[event.occurrence] = at
        elif event.event == "cleared":
            if event.occurrence in standing:
                found.append((standing.pop(event.occurrence), at))
            else:
                faults.append(f"{event.occurrence}: cleared and did not stand")
    return found + [(at, _NEVER) for at in standing.values()], faults


def compared(stored: Iterable[Event], wanted: Iterable[Event]) -> list[str]:
    """Alarms that only one of the two has, and those that fell into several, in words."""
    is_, should = spans(stored)[0], spans(wanted)[0]
    found = []
    for what, some, others in (("not in the replay", is_, should), ("not in the store", should, is_)):
        for start, end in some:
            overlaps = sum(first <= end and start <= last for first, last in others)
            if overlaps != 1:
                until = "on" if end == _NEVER else utc_text(end)
                many = what if not overlaps else f"{overlaps} alarms for one, {what}"
                found.append(f"{ALARM} from {utc_text(start)} {until}: {many}")
    return found


def unseen(stored: Iterable[Event], warm: Iterable[tuple[int, int]], to_ms: int) -> tuple[int, list[str]]:
    """How many minutes of warm water before `to_ms` were asked about, and what is wrong, in words."""
    found, asked, missing = spans(stored)[0], 0, []
    for start, end in warm:
        for moment in range(start + SURE_MS, min(end, to_ms), _TICK_MS):
            asked += 1
            if not any(first <= moment < last for first, last in found):
                missing.append(
                    f"no {ALARM} stood at {utc_text(moment)}, the water warm since {utc_text(start)}"
                )
                break
    return asked, missing


def cleared_too_soon(stored: Iterable[Event], warm: Iterable[tuple[int, int]], clock: FastClock) -> list[str]:
    """Alarms that were cleared while the water was at its warmest and the clock right."""
    return [
        f"{event.occurrence}: cleared at {event.time}, the water still warm"
        for event in stored
        if event.alarm == ALARM and event.event == "cleared"
        for start, end in warm
        if start < milliseconds(event.time) < end
        and clock.was_right(milliseconds(event.time) - _RIGHT_MS, milliseconds(event.time))
    ]


class NoticeAudit(NamedTuple):
    """Notices: rows of the outbox, how often they were received, and what is wrong, in words."""

    raised: int
    rows: int
    received: int
    again: int
    faults: list[str]


def audit_notices(
    raised: Sequence[Event],
    rows: dict[str, list[Notice]],
    got: dict[str, Sequence[Received]],
    disturbances: Sequence[float],
) -> NoticeAudit:
    """Each alarm has reached each target, and no notice came again without a reason.

    Parameters
    ----------
    raised : sequence of Event
        The "raised" events of the store.
    rows : dict
        Occurrence -> its notices in the outbox.
    got : dict
        Target's short name -> what it received.
    disturbances : sequence of float
        When something happened that explains a notice sent twice: a kill, a full disk (monotonic, s).
    """
    faults, received, again, count = [], 0, 0, 0
    for event in raised:
        notices = rows.get(event.occurrence, [])
        for target, messages in got.items():
            mine = [n for n in notices if n.target == target]
            count += len(mine)
            first = [n for n in mine if n.transition == "raised" and n.number == 0]
            if not first:
                faults.append(f"{event.occurrence}: no notice for target {target}")
                continue
            times = sorted(m.at for m in messages if event.occurrence in m.message)
            received += len(times)
            if first[0].delivered_ms is not None and not any(_is(first[0], m) for m in messages):
                faults.append(f"{event.occurrence}: marked as taken by {target}, which never got it")
            if first[0].delivered_ms is None and not times:
                faults.append(f"{event.occurrence}: never reached {target}")
            delivered = sum(n.delivered_ms is not None for n in mine)
            over = len(times) - delivered
            if over > 0:
                again += over
                reasons = sum(times[0] - 5 <= at <= times[-1] + 5 for at in disturbances)
                if over > reasons:
                    faults.append(
                        f"{event.occurrence}: {target} got {len(times)} notices for {delivered} in the"
                        f" outbox, {reasons} kills and full disks in between"
                    )
    return NoticeAudit(len(raised), count, received, again, faults)


def _is(notice: Notice, message: Received) -> bool:
    """Whether a message is this notice, alone or in a group."""
    if notice.occurrence not in message.message:
        return False
    alone = " ".join(message.message.split()) == " ".join(notice.body.split())
    return alone or f"- {notice.title}" in message.message
