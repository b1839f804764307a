"""The analysis as the running service's listener: readings in; events, notices and snapshots kept with them.

All that the analysis remembers is in snapshots, saved in the transaction of the readings and events that made
them. After a restart the readings that were committed behind the snapshot are given to it again, so a kill
at any moment changes nothing of what is judged.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence

from rushlight.analysis.alarms.trials import Trials
from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.notices.alarm_topics import Told, tell_nobody
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.reach import reach_of
from rushlight.analysis.service.answers import answer
from rushlight.analysis.service.asides import Asides
from rushlight.analysis.service.calibration_reminders import CalibrationReminders
from rushlight.analysis.service.keepers_log import take_log
from rushlight.analysis.service.lost_snapshots import park
from rushlight.analysis.service.open_alarms import away_occurrences, harm_expected, open_occurrences
from rushlight.analysis.service.watches import Watches
from rushlight.analysis.views.in_flight import in_flight_lines
from rushlight.analysis.watch.lane import fill
from rushlight.analysis.watch.saved import ANALYSIS_STATE, DEVICE_META, FAILED_META
from rushlight.collector.errors import AlarmError
from rushlight.collector.log import Clock
from rushlight.collector.readings import Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Request

__all__ = ["UNKEPT_MS", "LiveAnalysis"]

_log = logging.getLogger("rushlight.analysis")

UNKEPT_MS = 60_000
"""The store has not been written for so long: send a notice. Another program's lock, or the moment in which a
log is rotated away, is over before. Common practice, no source."""

_SNAPSHOT_MS = 300_000
_FIRST_MS = 10_000  # while somebody may wait for the first sight of a new tank or setting
_TRIALS_IN = 5_000  # of the last events, those of test alarms that go on
_HELD_UP_MS = 120_000  # no tick for so long: the service was held up, or its clock has leapt ahead


class LiveAnalysis(Watches):
    """A `TankWatch` for each tank.

    When its methods are called: see `rushlight.collector.service.listener.Listener`.

    Parameters
    ----------
    settings : Settings
    notifier : Notifier
        Events' notices go through it into the outbox; sending is another thread's work.
    clock : callable
        Only for the log: its rate limit, and how long a start took.
    """

    def __init__(self, settings: Settings, notifier: Notifier, clock: Clock) -> None:
        super().__init__(settings, clock)
        self._notifier = notifier
        self.told: Told = tell_nobody  # is given the watches and the events that were kept
        self._held = 0  # so many of them have been sent from memory
        self._unkept_ms: int | None = None  # since when the store has not been written
        self._unsent = True  # a target may have had no notice of an active alarm: look at the next commit
        self._outcomes: dict[int, str] = {}  # of requests, by id
        self.reload_asked: set[int] = set()  # requests for the settings to be read again
        self._devices: dict[str, str] = {}
        self._asides = Asides()
        self._reminders = CalibrationReminders(clock)
        self._said: dict[str, str] = {}
        self._snapshot_ms = self._began_ms = 0
        self._tick_ms = -1
        self._trials = Trials()
        self._all_due = False

    # -- start ----------------------------------------------------------------------------------------

    def start(self, store: EmbeddedStore, now_ms: int) -> None:
        """Take up where the store says the analysis was, readings behind the snapshots included."""
        self._snapshot_ms = self._began_ms = now_ms
        park(store, self.watches)
        self._trials.restore(store.events(limit=_TRIALS_IN))
        self._asides.restore(store, self.watches)
        self._take_up(self.watches, store, now_ms)

    def renew(self, settings: Settings, notifier: Notifier, store: EmbeddedStore, now_ms: int) -> None:
        """Go on by other settings; all that was judged has been kept."""
        self._exchange(settings, store, now_ms)
        self._began_ms = now_ms
        self._notifier = notifier
        self._unsent = True

    # -- in memory --------------------------------------------------------------------------------------

    def take(self, readings: Sequence[Reading], now_ms: int) -> None:
        """Each reading once, in order of arrival."""
        watches = self.watches
        self._held_up(now_ms)
        self._follow(now_ms, {reading.tank for reading in readings} & watches.keys())
        at, end = 0, len(readings)
        while at < end:
            reading = readings[at]
            watch = watches.get(reading.tank)
            if watch is None:
                at += 1
                continue
            behind = fill(watch, readings, at, now_ms)
            if behind > at:
                at = behind
                if watch.book.changed:
                    self._note(watch, [])
                continue
            self._feed(watch, reading, now_ms)
            at += 1

    def _held_up(self, now_ms: int) -> None:
        """A gap in the service's own time is not the devices' silence."""
        if self._tick_ms >= 0 and now_ms - self._tick_ms > _HELD_UP_MS:
            _log.warning(
                "%s passed at once: the clock has leapt ahead, or the service hung; no device is called "
                "silent because of it",
                duration_text((now_ms - self._tick_ms) / 1000),
            )
            for watch in self.watches.values():
                watch.begin(now_ms)
        self._tick_ms = now_ms if self._tick_ms >= 0 else -1

    def _follow(self, now_ms: int, names: Iterable[str]) -> None:
        silenced = self._asides.silenced(self.watches)
        super()._follow(now_ms, names)
        self._asides.follow(self.watches, silenced)

    def device(self, tank: str, online: bool, now_ms: int) -> None:
        """Noted for `status`; whether it is an alarm is for the silence of its readings to say."""
        word = "online" if online else "offline"
        if self._said.get(tank) != word:  # it lies at the broker and comes again with each connection
            _log.info("%s: its device says %s", tank, word)
            self._said[tank] = word
        self._devices[tank] = f"{word} {now_ms}"

    def tick(self, now_ms: int) -> None:
        """Deadlines of silence, ends of shelves and delays."""
        self._held_up(now_ms)
        self._tick_ms = now_ms
        self._follow(now_ms, self.watches)
        for watch in self.watches.values():
            try:
                self._note(watch, watch.tick(now_ms))
            except Exception as error:
                name = watch.tank.name
                if self._say.say(f"{name} tick", f"{name}: the analysis failed: {error!r}"):
                    _log.exception("%s: where it failed", name)
        self._notifier.harm_expected(dict(harm_expected(self.watches.values())))
        self._notifier.away = away_occurrences(self.watches.values())

    def poll(self, store: EmbeddedStore, now_ms: int) -> None:
        """Carry out what people have asked for since."""
        for request in store.open_requests():
            if request.id in self._outcomes:
                continue
            if request.kind == "reload":
                self.reload_asked.add(request.id)
            else:
                self._outcomes[request.id] = self.carry_out(request, store, now_ms)
        noted = take_log(store, self.watches)
        self._changed.update(noted)
        self._reminders.look(store, self.watches, noted, now_ms)
        for event in self._trials.due(now_ms):
            self._events.append(event)
            _log.info("%s %s: %s", event.occurrence, event.event, event.summary)

    def reloaded(self, outcome: str) -> None:
        """What became of reading the settings again, for all who asked."""
        self._outcomes |= dict.fromkeys(self.reload_asked, outcome)
        self.reload_asked.clear()

    def carry_out(self, request: Request, store: EmbeddedStore, now_ms: int) -> str:
        """Do to the book what a person asked for; the outcome in words, "done: …" or "refused: …"."""
        watch = self.watches.get(request.tank)
        if watch is None:
            return f"refused: tank {request.tank!r} is not in the running service's settings"
        try:
            if request.kind == "reach":
                return f"done: {reach_of(self._notifier)}"
            if request.kind in Asides.KINDS:
                events, outcome = self._asides.carry_out(watch, request, store, now_ms)
            else:
                # raised in this very round, neither kept nor sent from memory: nobody has seen it
                unseen = {e.occurrence for e in self._events[self._held :] if e.event == "raised"}
                events, outcome = answer(self._trials, watch, request, now_ms, unseen)
        except AlarmError as error:
            return f"refused: {error}"
        self._note(watch, events)
        return f"done: {outcome}"

    # -- on disk ----------------------------------------------------------------------------------------

    def wants(self, now_ms: int) -> bool:
        """Something waits that no reading will carry along."""
        waiting = self._events or self._outcomes or self._devices or self._changed or self._unsent
        waiting = waiting or self._put_back or self._reminders.waits
        return bool(waiting) or self._is_due(now_ms)

    def _is_due(self, now_ms: int) -> bool:
        """`status` and the page show what the snapshots hold: soon after a start or other settings, too."""
        early = 0 <= now_ms - self._began_ms < _SNAPSHOT_MS
        return not 0 <= now_ms - self._snapshot_ms < (_FIRST_MS if early else _SNAPSHOT_MS)

    def keep(self, store: EmbeddedStore, now_ms: int, closing: bool) -> None:
        """Events with their notices, outcomes, and snapshots as of the readings written before."""
        if self._put_back:
            store.follow_clock(now_ms)
        if self._notifier.keeping.holding:
            self._hold_events(store, now_ms)  # all the one way, in their order
        for number, event in enumerate(self._events):
            if store.add_event(event) and number >= self._held:
                self._notifier.queue_for(event, store, now_ms)
        self._notifier.keeping.keep_held(store)
        if self._unsent:
            for occurrence in open_occurrences(self.watches.values()):
                self._notifier.queue_missing(occurrence, store, now_ms)
        self._asides.keep(store)
        self._reminders.keep(store, self._notifier, now_ms)
        for number, outcome in self._outcomes.items():
            store.close_request(number, outcome, now_ms)
        for tank, word in self._devices.items():
            store.set_meta(DEVICE_META + tank, word)
        for tank, word in self._failures.items():
            store.set_meta(FAILED_META + tank, word)
        self._all_due = closing or self._is_due(now_ms)
        names = self.watches if self._all_due else sorted(self._changed)
        if names:
            position = store.position()
            for name in names:
                store.save_state(ANALYSIS_STATE, name, self.watches[name].snapshot(), position)
            self._gas.keep(store, names)

    def kept(self, now_ms: int) -> None:
        """It is on the disk: forget what waited."""
        self._notifier.keeping.kept_again(now_ms)
        self._notifier.keeping.kept_held()
        self._held, self._unkept_ms, self._unsent = 0, None, False
        for name in self._changed:
            self.watches[name].book.changed = False
        if self._all_due:
            self._snapshot_ms = now_ms
        kept = self._events
        self._events, self._outcomes, self._changed, self._put_back = [], {}, set(), False
        self._devices, self._failures = {}, {}
        self._asides.kept()
        self._reminders.kept()
        self._gas.kept()
        if kept:
            self.told(self.watches, kept)

    def hold(self, store: EmbeddedStore, now_ms: int, why: str) -> None:
        """Alarms go out from memory; so does, after a minute, that readings can't be kept."""
        self._hold_events(store, now_ms)
        if self._unkept_ms is None or now_ms < self._unkept_ms:
            self._unkept_ms = now_ms
        if now_ms - self._unkept_ms >= UNKEPT_MS:
            words = ".\n\n".join([why, *in_flight_lines(self._settings)])
            self._notifier.keeping.unkept(store, self._unkept_ms, now_ms, words)

    def _hold_events(self, store: EmbeddedStore, now_ms: int) -> None:
        for event in self._events[self._held :]:
            self._held += 1
            self._notifier.keeping.hold(event, store, now_ms)
