"""What is known of the tanks at one moment, from the store alone: for `rushlight status` and the status page.

Facts only, no layout: both show the same figures in the same words.
"""

from __future__ import annotations

import msgspec
from msgspec.structs import replace

from rushlight.analysis.alarms.cautions import cautions_for
from rushlight.analysis.alarms.hands import HANDS_META, LONGEST_HANDS_MS
from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.alarms.states import RAISED_STATES, AlarmRecord, AlarmState
from rushlight.analysis.alarms.trials import trial_lines
from rushlight.analysis.alarms.wording import headline, rule_out_text, time_left_text
from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.physics.electrode_trust import PhTrust
from rushlight.analysis.views.alarm_words import AHEAD_S, AlarmWords, age_text, alarm_words
from rushlight.analysis.views.beyond_limits import FRESH_MS, being_checked
from rushlight.analysis.views.electrode_drift import due_words
from rushlight.analysis.views.fact_types import (
    AlarmFacts,
    CarbonDioxideFacts,
    DeviceFacts,
    Facts,
    FailureFacts,
    LinkFacts,
    NoticeFacts,
    ReadingFacts,
    TankFacts,
)
from rushlight.analysis.views.learnt_text import learnt_lines, offers
from rushlight.analysis.views.pours_seen import unnoted_pours
from rushlight.analysis.views.refused import refused_facts
from rushlight.analysis.views.usual_day import lamp_words, trend_words, usual_words
from rushlight.analysis.views.weak_series import weak_lines
from rushlight.analysis.watch.learnt import learnt
from rushlight.analysis.watch.saved import DEVICE_META, FAILED_META, watch_of
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.events import PRIORITY_RANK, Event
from rushlight.collector.influx.state import drain_report
from rushlight.collector.intake.clock_doubt import clock_doubt
from rushlight.collector.readings import LIGHT, PH, PH_PROBE, QUANTITIES, Flag, Reading
from rushlight.collector.service.listener import LINKS_META, LinkReport
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["age_text", "carbon_dioxide_now", "collect_facts"]

FAILURE_SHOWN_MS = 86_400_000
_EVENTS = 200  # the last ones, among which a test alarm that goes on is looked for

_REMARKS: dict[int, str] = {
    Flag.SUSPECT: "suspect",
    Flag.FAIL: "failed its check",
    Flag.MISSING: "could not be read",
}
_FAULT_COUNTERS = ("failed", "lost", "refused", "garbled", "overlong", "torn", "oversize", "unsubscribed")


_COUNTS = {
    "lost": "lost on the way",
    "repeated": "came twice and counted once",
    "stamped": "had no believable time and got that of their arrival",
    "rebooted": "after a new start of its device",
    "collided": "readings moved by milliseconds: another had their time",
    "crowded-out": "readings left out: too many had one time",
}
"""The store's counters of a tank, in words."""


def collect_facts(settings: Settings, store: EmbeddedStore, now_ms: int) -> Facts:
    """Read the store.

    Raises
    ------
    StoreError
        It can't be read.
    """
    names = [*settings.tanks, *(name for name in store.tanks() if name not in settings.tanks)]
    return Facts(
        time_ms=now_ms,
        process=ServiceLock(store.path).running(),
        tanks=[_tank(name, settings, store, now_ms) for name in names],
        links=_links(store, now_ms),
        notices=_notices(store, now_ms),
        server=drain_report(store, settings.store),
        refused=refused_facts(settings, store, now_ms),
    )


def _tank(name: str, settings: Settings, store: EmbeddedStore, now_ms: int) -> TankFacts:
    tank = settings.tanks.get(name)
    latest = store.latest(name, now_ms + 1000 * AHEAD_S)
    facts = TankFacts(
        name=name,
        title=tank.title if tank is not None else "",
        watched=tank is not None,
        readings=[_reading(latest[quantity], now_ms) for quantity in QUANTITIES if quantity in latest],
    )
    if tank is None:
        return facts
    watch, trouble = watch_of(name, tank, store)
    facts.local_time = watch.tank.clock.moment_text(now_ms)
    facts.trouble = "; ".join(text for text in (trouble, clock_doubt(store, name)) if text)
    day, minute = watch.tank.clock.local(now_ms)
    for reading in facts.readings:
        if reading.quantity == PH:
            reading.doubt = trust_now(watch, latest, now_ms).words
            if not reading.doubt and PH_PROBE in latest:
                reading.doubt = due_words(store.log(name), now_ms)
        if reading.value is None or reading.remark or not 0 <= reading.age_ms + 1000 * AHEAD_S < FRESH_MS:
            continue  # what is old says nothing of this hour
        reading.trend = trend_words(watch, reading.quantity)
        reading.usual = (
            lamp_words(watch, day, minute)
            if reading.quantity == LIGHT
            else usual_words(watch, reading.quantity, reading.value, minute)
        )
    facts.carbon_dioxide = carbon_dioxide_now(watch, now_ms)
    device = store.get_meta(DEVICE_META + name)
    if device is not None:
        word, _, since = device.partition(" ")
        facts.device = DeviceFacts(word=word, age_ms=now_ms - int(since))
    failed = store.get_meta(FAILED_META + name)
    if failed is not None:
        detector, _, since = failed.rpartition(" ")
        if now_ms - int(since) < FAILURE_SHOWN_MS:
            facts.failure = FailureFacts(detector=detector, age_ms=now_ms - int(since))
    hands = store.get_meta(HANDS_META + name) or ""
    if hands.isdigit() and now_ms < int(hands) <= now_ms + LONGEST_HANDS_MS:
        facts.hands_until_ms = int(hands)
    facts.alarms = _alarms(watch, store, latest, now_ms)
    facts.tests = trial_lines(store.events(tank=name, limit=_EVENTS), now_ms)
    facts.checks = being_checked(watch, latest, now_ms)
    known = learnt(watch)
    facts.learnt = learnt_lines(known, tank.timezone)
    facts.offers = offers(tank, known)
    facts.unnoted = unnoted_pours(watch, now_ms)
    facts.weak = weak_lines(watch.state.sensors)
    counted = store.counters()
    facts.counts = [
        f"{counted[key]} {words}" for kind, words in _COUNTS.items() if counted.get(key := f"{name}.{kind}")
    ]
    return facts


def _reading(reading: Reading, now_ms: int) -> ReadingFacts:
    info = QUANTITIES[reading.quantity]
    value = reading.value
    return ReadingFacts(
        quantity=reading.quantity,
        title=info.title,
        value=value,
        unit=info.unit,
        printed="–" if value is None else f"{value:.{info.decimals}f} {info.printed_unit}".rstrip(),
        time_ms=reading.time_ms,
        age_ms=now_ms - reading.time_ms,
        remark=_REMARKS.get(reading.flag, ""),
    )


def carbon_dioxide_now(watch: TankWatch, now_ms: int) -> CarbonDioxideFacts | None:
    """What was judged by last: the alarms say the same."""
    detector = watch.of(CarbonDioxideDetector)
    judged = detector.shown
    if judged is None:
        return None
    return CarbonDioxideFacts(
        mg_l=judged.gas.mg_l,
        low_mg_l=judged.gas.low,
        high_mg_l=judged.gas.high,
        limit_mg_l=watch.tank.settings.livestock.co2_limit_mg_l,
        age_ms=now_ms - judged.time_ms,
        doubt=detector.curve.doubt,
    )


def trust_now(watch: TankWatch, latest: dict[str, Reading], now_ms: int) -> PhTrust:
    """How far the tank's pH is to be trusted."""
    raw = PH_PROBE in latest and now_ms - latest[PH_PROBE].time_ms < FAILURE_SHOWN_MS
    return watch.tank.ph_trust(raw, watch.tank.clock.local(now_ms)[0])


def _alarms(
    watch: TankWatch, store: EmbeddedStore, latest: dict[str, Reading], now_ms: int
) -> list[AlarmFacts]:
    records = sorted(
        watch.book.records().values(),
        key=lambda r: (r.state not in RAISED_STATES, -PRIORITY_RANK[r.priority], r.raised_ms or 0),
    )
    shown = [r for r in records if r.occurrence or r.state is not AlarmState.NORMAL]
    every_s, clock = watch.tank.settings.report_every_s, watch.tank.clock
    return [
        _alarm(
            record,
            alarm_words(record, _end_of(record, store), latest, clock, every_s, now_ms),
            watch,
            now_ms,
        )
        for record in shown
    ]


def _end_of(record: AlarmRecord, store: EmbeddedStore) -> Event | None:
    """With what words it ended: the book does not keep them."""
    if record.state is not AlarmState.RETURNED_UNACKNOWLEDGED:
        return None
    ends = [event for event in store.events(occurrence=record.occurrence) if event.event == "cleared"]
    return ends[-1] if ends else None


def _alarm(record: AlarmRecord, words: AlarmWords, watch: TankWatch, now_ms: int) -> AlarmFacts:
    has, finding = watch.book.has, record.finding
    row = rationale_for(record.alarm, has)
    left = None if finding is None else finding.time_left_s
    raised = record.state in RAISED_STATES and not record.away
    if record.away:
        left = None
    if left is not None:
        # as of the snapshot: a promise must not stay as long while time goes by
        left = max(0.0, left - max(0, now_ms - watch.book.as_of_ms) / 1000)
    shown = finding
    if finding is not None and not raised:
        shown = replace(finding, time_left_s=None)  # what is over rises or falls no more
    return AlarmFacts(
        alarm=record.alarm,
        quantity=record.quantity,
        title=row.title,
        priority=record.priority,
        state=str(record.state),
        state_text=words.state,
        unseen=words.unseen,
        raised=raised,
        away=record.away,
        returns=words.returns,
        over=record.state is AlarmState.RETURNED_UNACKNOWLEDGED,
        headline=headline(record.alarm, watch.tank.settings.title or watch.tank.name, shown, record.quantity),
        raised_ms=record.raised_ms,
        shelf_end_ms=record.shelf_end_ms,
        time_left_s=left,
        time_left=time_left_text(left),
        cause="" if finding is None else finding.cause,
        consequence=row.consequence,
        action=row.action_for(record.quantity),
        cautions=cautions_for(record.alarm, has),
        person_first="person-first" in row.cautions,
        observations=[] if finding is None else list(finding.observations),
        rule_out=rule_out_text(record.alarm, finding),
        occurrence=record.occurrence,
    )


def _links(store: EmbeddedStore, now_ms: int) -> list[LinkFacts]:
    try:
        links = msgspec.json.decode(store.get_meta(LINKS_META) or "[]", type=list[LinkReport])
    except msgspec.MsgspecError:
        return []  # from another version: the service writes it anew
    return [
        LinkFacts(
            name=link.name,
            delivered=link.counters.get("delivered", 0),
            age_ms=now_ms - link.last_ms if link.last_ms else None,
            faults={key: link.counters[key] for key in _FAULT_COUNTERS if link.counters.get(key)},
        )
        for link in links
    ]


def _notices(store: EmbeddedStore, now_ms: int) -> NoticeFacts:
    waiting = store.pending_notices()
    failing = [notice.error for notice in waiting if notice.error]
    return NoticeFacts(
        waiting=len(waiting),
        late=sum(1 for notice in waiting if notice.next_attempt_ms <= now_ms or notice.attempts),
        refused=len(failing),
        error=failing[-1] if failing else "",
    )
