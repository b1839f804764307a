"""One low notice when a pH electrode's calibration becomes due.

It is about Rushlight's own sight, not about a tank's state: it raises no alarm and asks for no answer. When a
tank was last reminded of is in the store, written with the notice; so a restart sends none twice.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping
from typing import NamedTuple

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.alarms.wording import SUMMARY_LENGTH, utc_text
from rushlight.analysis.notices.memory import OWN
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.notices.wording import Text
from rushlight.analysis.physics.numbers import ELECTRODE
from rushlight.analysis.views.electrode_drift import Reminder, reminder_of
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.log import ClearLog, Clock
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["REMINDED_META", "CalibrationReminders", "reminder_text"]

REMINDED_META = "calibration-reminded/"

_log = logging.getLogger("rushlight.analysis")

_DAY_MS = 86_400_000
_LOOK_MS = 3_600_000  # a day's due date is looked for once an hour


class _Waiting(NamedTuple):
    """What is to be kept of a tank: the notice to be sent, if any, and an earlier one that is out of date."""

    text: Text | None
    outdated: str


class CalibrationReminders:
    """Looked for between reports, kept with what else waits.

    Parameters
    ----------
    clock : callable
        Only for the log's rate limit.
    """

    def __init__(self, clock: Clock) -> None:
        self._say = ClearLog(_log, clock)
        self._looked_ms: dict[str, int] = {}
        self._waiting: dict[str, _Waiting] = {}

    def look(
        self,
        store: EmbeddedStore,
        watches: Mapping[str, TankWatch],
        noted: Collection[str],
        now_ms: int,
    ) -> None:
        """One tank a call, each once an hour, and those at once whose log has something new.

        Whatever fails here, alarms go on: it is logged and tried again.
        """
        stale = (
            name for name in watches if not 0 <= now_ms - self._looked_ms.get(name, -_LOOK_MS) < _LOOK_MS
        )
        for name in {*watches.keys() & noted, *[name for name, _ in zip(stale, range(1), strict=False)]}:
            self._looked_ms[name] = now_ms
            self._waiting.pop(name, None)
            try:
                found = _look_at(store, name, watches[name].tank.settings, now_ms)
            except Exception as error:
                self._say.say(name, f"{name}: can't see whether a calibration is due: {error!r}")
                continue
            if found is not None:
                self._waiting[name] = found

    @property
    def waits(self) -> bool:
        """Whether there is anything to be kept."""
        return bool(self._waiting)

    def keep(self, store: EmbeddedStore, notifier: Notifier, now_ms: int) -> None:
        """Into the outbox, in the caller's transaction."""
        for name, waiting in self._waiting.items():
            if waiting.outdated:
                store.cancel_notices(waiting.outdated)
            if waiting.text is None:
                continue
            if notifier.keeping.remind(store, _occurrence(name, now_ms), waiting.text, now_ms):
                store.set_meta(REMINDED_META + name, str(now_ms))

    def kept(self) -> None:
        """It is on the disk."""
        self._waiting = {}


def _look_at(store: EmbeddedStore, name: str, settings: TankSettings, now_ms: int) -> _Waiting | None:
    said = store.get_meta(REMINDED_META + name) or ""
    reminder, before = reminder_of(store.log(name), now_ms), ""
    if said.isdigit():
        sent_ms = int(said)
        lately = abs(now_ms - sent_ms) < ELECTRODE.remind_days * _DAY_MS  # a clock may have been put back
        if lately and reminder is not None and reminder.calibrated_ms <= sent_ms:
            return None
        before = _occurrence(name, sent_ms)
    waits = before and any(one.occurrence == before for one in store.pending_notices())
    if reminder is None and not waits:
        return None
    return _Waiting(reminder and reminder_text(name, settings, reminder), before if waits else "")


def _occurrence(tank: str, sent_ms: int) -> str:
    return f"{OWN}calibration-due/{tank}/{utc_text(sent_ms)}"


def reminder_text(name: str, settings: TankSettings, reminder: Reminder) -> Text:
    """The notice; its first line is what to do."""
    how = (
        f"rushlight calibrate {name} ph"
        if reminder.by_points
        else f"on its own board, then rushlight note {name} --calibrated"
    )
    title = f"LOW: {settings.title or name}: the pH electrode is due to be calibrated"
    return Text(
        title if len(title) <= SUMMARY_LENGTH else title[: SUMMARY_LENGTH - 1] + "…",
        f"Calibrate the pH electrode again when you have the time: {how}.\n\n"
        f"{reminder.words[0].upper()}{reminder.words[1:]}. Until then pH may be further off than it should, "
        "and so may CO2, which is estimated with it.\n\n"
        f"{CAUTIONS['electrical']}\n\n"
        f"You are reminded again after {ELECTRODE.remind_days} days if it is not calibrated by then. There "
        "is nothing to acknowledge.",
    )
