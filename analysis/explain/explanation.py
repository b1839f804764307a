"""Why an alarm was raised: the curves around the decision, what the model expected, and the decision itself.

The expectation comes from the analysis itself: the store's readings are judged again and what was believed
at each frame is noted (`rushlight.analysis.replay.beliefs`). `rushlight.analysis.explain.terminal` prints
what is gathered here, `rushlight.analysis.explain.png` draws it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import msgspec

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.explain.context import Context
from rushlight.analysis.explain.curves import Panel
from rushlight.analysis.explain.panels import BEFORE_H, panels_for
from rushlight.analysis.notices.wording import milliseconds
from rushlight.analysis.replay.beliefs import Sample
from rushlight.analysis.replay.store import HOUR_MS, Readings, replay_store
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["Explanation", "explain", "find_raised"]

_BEFORE_H = 12
_AFTER_H = 2
_WARM_UP_DAYS = 14
_GAP_MS = 20 * 60_000
_MOST_FLAGGED = 2000  # points of a picture


class Explanation(msgspec.Struct, kw_only=True):
    """One occurrence of one alarm, explained.

    Attributes
    ----------
    event : Event
        The raising.
    title : str
        The tank's.
    timezone : str
        IANA name; times are shown by this clock.
    from_ms, to_ms, decided_ms : int
        What is shown, and the moment of decision, UTC.
    over_ms : int or None
        When it was cleared, where that is within the picture.
    panels : list of Panel
        The one that decides first.
    gaps : list of (int, int)
        Where no report came in.
    note : str
        What is missing, if something is.
    """

    event: Event
    title: str
    timezone: str
    from_ms: int
    to_ms: int
    decided_ms: int
    over_ms: int | None
    panels: list[Panel]
    gaps: list[tuple[int, int]]
    note: str = ""


def find_raised(store: EmbeddedStore, alarm_id: str) -> list[Event]:
    """The events of an occurrence; of the latest one where only "TANK/ALARM" is given.

    Raises
    ------
    StoreError
        There is no such occurrence; the message names some that are there.
    """
    found = store.events(occurrence=alarm_id)
    if any(event.test for event in found):
        raise StoreError(f"{alarm_id}: was a test alarm: nothing was measured, so there is no curve to it")
    if any(event.event == "raised" for event in found):
        return found
    raised = [event for event in store.events() if event.event == "raised" and not event.test]
    alike = [e for e in raised if e.occurrence.startswith(f"{alarm_id.rstrip('/')}/")]
    if alike:
        return store.events(occurrence=alike[-1].occurrence)
    known = ", ".join(event.occurrence for event in raised[-3:][::-1])
    hint = f"the last ones are {known}" if known else "none has been raised so far"
    raise StoreError(f"{store.path}: there is no alarm {alarm_id!r}; {hint}")


def explain(
    settings: Settings,
    store: EmbeddedStore,
    readings: Readings,
    alarm_id: str,
    now_ms: int,
    *,
    warm_up_days: float = _WARM_UP_DAYS,
    thin_ms: int = 0,
) -> Explanation:
    """Gather what led to an alarm.

    Parameters
    ----------
    store : EmbeddedStore
        Has the events.
    readings : Readings
        Has the readings: the same store, or the server.
    alarm_id : str
        The occurrence that notices and `status` name, or "TANK/ALARM" for the latest.
    now_ms : int
        Nothing later is looked for.
    warm_up_days, thin_ms
        As in `replay_store`; less is faster.

    Raises
    ------
    StoreError
        No such alarm, or its tank is not in the settings, or the readings of that time are gone.
    """
    events = find_raised(store, alarm_id)
    event = next(e for e in events if e.event == "raised")
    if event.tank not in settings.tanks:
        raise StoreError(f"{settings.path}: tank {event.tank!r} of that alarm is no longer in the settings")
    decided_ms = milliseconds(event.time)
    before_h = BEFORE_H.get(event.alarm, _BEFORE_H)
    from_ms = decided_ms - round(before_h * HOUR_MS)
    to_ms = min(decided_ms + _AFTER_H * HOUR_MS, now_ms + 1)
    # a judgement over weeks has learnt for weeks
    learn_from_ms = min(from_ms, decided_ms - round(warm_up_days * 24 * HOUR_MS))
    if event.alarm == "light-dimming":
        learn_from_ms = from_ms - 7 * 24 * HOUR_MS
    recording = replay_store(
        settings,
        readings,
        event.tank,
        from_ms,
        to_ms,
        warm_up_days=(from_ms - learn_from_ms) / (24 * HOUR_MS),
        thin_ms=thin_ms,
        log=store.log(event.tank, until_ms=to_ms),
    )
    flagged: list[Reading] = []
    if event.quantity:
        for reading in readings.readings(event.tank, event.quantity, from_ms, to_ms):
            if reading.flag >= Flag.SUSPECT and len(flagged) < _MOST_FLAGGED:
                flagged.append(reading)
    context = Context(event.alarm, event.quantity, decided_ms, recording.samples, flagged, recording.watch)
    panels = panels_for(context)
    first_ms = min((curve.points[0][0] for panel in panels for curve in panel.curves), default=from_ms)
    from_ms = max(from_ms, first_ms - round((to_ms - first_ms) / 20))
    tank = settings.tanks[event.tank]
    cleared = [milliseconds(e.time) for e in events if e.event == "cleared"]
    judged_so = any(e.alarm == event.alarm for e in [*recording.events, *recording.standing])
    return Explanation(
        event=event,
        title=tank.title or event.tank,
        timezone=tank.timezone,
        from_ms=from_ms,
        to_ms=to_ms,
        decided_ms=decided_ms,
        over_ms=cleared[0] if cleared and cleared[0] < to_ms else None,
        panels=panels,
        gaps=_gaps(recording.samples, from_ms, to_ms),
        note=" ".join(_notes(judged_so, panels, recording.watch)),
    )


def _notes(judged_so: bool, panels: list[Panel], watch: TankWatch) -> Iterator[str]:
    if not judged_so:
        yield "Judged again from the readings that are still in the store, this alarm is not raised."
    doubt = watch.of(CarbonDioxideDetector).curve.doubt
    if doubt and any(panel.title.startswith(("pH", "CO2")) for panel in panels):
        yield f"The pH, and the CO2 estimated from it, are less certain than they look: {doubt}."


def _gaps(samples: list[Sample], from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    """Spans of 20 min and more without a report."""
    times = [sample.start_ms for sample in samples]
    if not times:
        return [(from_ms, to_ms)]
    gaps = [(a + 60_000, b) for a, b in pairwise(times) if b - a > _GAP_MS]
    if to_ms - times[-1] > _GAP_MS:
        gaps.append((times[-1] + 60_000, to_ms))
    return gaps
