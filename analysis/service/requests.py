"""What people ask of alarms: through the running service, or directly where none runs."""

from __future__ import annotations

import getpass
import time
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.requests import wrong_quantity
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.collector.errors import AlarmError, SettingsError, StoreError
from rushlight.collector.service.listener import system_clock
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["Asked", "ask", "ask_of_tank", "meant", "outcome_of", "person"]

_WAIT_S = 5.0


class Asked(NamedTuple):
    """Which alarm a person means; `occurrence` "" where it is whichever is raised."""

    tank: str
    alarm: str
    quantity: str = ""
    occurrence: str = ""


def meant(words: Sequence[str], quantity: str = "") -> Asked:
    """What the words of a command line mean: TANK ALARM, or the ALARM-ID of a notice or of `status`.

    Raises
    ------
    ValueError
        They are neither; the message says what to write.
    """
    if len(words) == 2:
        return Asked(words[0], words[1], quantity)
    parts = words[0].strip("/").split("/") if len(words) == 1 else []
    if len(parts) < 2:
        raise ValueError("write TANK ALARM, or the ALARM-ID that the notice ends with")
    mark = [parts.pop()] if len(parts) > 3 and parts[-1] == "test" else []
    tank, alarm, *rest = parts
    named = rest.pop(0) if rest and not _is_moment(rest[0]) else ""
    if quantity and named and quantity != named:
        raise ValueError(f"the ALARM-ID is about {named}, and --quantity says {quantity}; leave one out")
    if rest and not _is_moment(rest[0]):
        raise ValueError(f"{words[0]!r} is no ALARM-ID; write TANK ALARM, or what the notice ends with")
    return Asked(tank, alarm, named or quantity, "/".join([*parts, *mark]) if rest else "")


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def ask(settings: Settings, kind: str, asked: Asked, arguments: dict[str, Any]) -> str:
    """Have something done to an alarm and give the outcome in words.

    Raises
    ------
    SettingsError
        No such tank, alarm or quantity.
    AlarmError
        It can't be done to this alarm.
    StoreError
        The store can't be used, or the service has not answered within 5 s.
    """
    tank, alarm, quantity, occurrence = asked
    if tank not in settings.tanks:
        raise SettingsError(
            f"{settings.path}: there is no tank {tank!r}; known are {', '.join(settings.tanks)}"
        )
    if alarm not in RATIONALE:
        raise SettingsError(f"there is no alarm {alarm!r}; known are {', '.join(RATIONALE)}")
    wrong = wrong_quantity(alarm, quantity)
    if wrong:
        raise SettingsError(wrong)
    if occurrence:
        arguments = {**arguments, "occurrence": occurrence}
    return _carried_out(settings, kind, tank, alarm, quantity, arguments)


def ask_of_tank(settings: Settings, kind: str, tank: str, arguments: dict[str, Any]) -> str:
    """Have something done that is about a whole tank; the outcome in words. Raises as `ask`."""
    if tank not in settings.tanks:
        known = ", ".join(settings.tanks)
        raise SettingsError(f"{settings.path}: there is no tank {tank!r}; known are {known}")
    return _carried_out(settings, kind, tank, "", "", arguments)


def _carried_out(
    settings: Settings, kind: str, tank: str, alarm: str, quantity: str, arguments: dict[str, Any]
) -> str:
    settings = settings_of_tank(settings, tank)
    path = settings.store_path()
    if not path.exists():
        raise StoreError(
            f"{path}: there is no such file; start `rushlight run` first or correct [store] path"
        )
    lock = ServiceLock(path)
    alone = lock.try_acquire()
    try:
        with EmbeddedStore(path) as store:
            number = store.add_request(kind, tank, alarm, quantity, dict(arguments), person(), system_clock())
            outcome = _directly(settings, store, number) if alone else outcome_of(store, number)
    finally:
        lock.release()
    word, _, text = outcome.partition(": ")
    if word != "done":
        raise AlarmError(text or outcome)
    return text


def _directly(settings: Settings, store: EmbeddedStore, number: int) -> str:
    """As the service would: the same listener, once round."""
    now = system_clock()
    analysis = LiveAnalysis(settings, make_notifier(settings, system_clock), system_clock)
    analysis.start(store, now)
    analysis.poll(store, now)
    with store.transaction():
        analysis.keep(store, now, closing=True)
    return store.request_outcome(number) or "refused: it was not carried out"


def outcome_of(store: EmbeddedStore, number: int, within_s: float | None = None) -> str:
    """What the running service says to a request: "done: …" or "refused: …".

    Raises
    ------
    StoreError
        It has not answered within `within_s` (5 s if left out).
    """
    within_s = _WAIT_S if within_s is None else within_s
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        outcome = store.request_outcome(number)
        if outcome is not None:
            return outcome
        time.sleep(0.05)
    raise StoreError(
        f"{store.path}: the running service has not answered within {within_s:g} s; the request is kept and "
        "carried out when it does"
    )


def person() -> str:
    """Who types this, for the record."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "someone"
