"""`rushlight try`: a test alarm through the running service, and whether each target took it."""

from __future__ import annotations

import time
from collections.abc import Callable

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.alarms.requests import wrong_quantity
from rushlight.analysis.service.requests import outcome_of, person
from rushlight.collector.errors import AlarmError, SettingsError, StoreError
from rushlight.collector.service.listener import system_clock
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["try_alarm"]

_WAIT_S = 30.0


def try_alarm(settings: Settings, tank: str, alarm: str, quantity: str, tell: Callable[[str], None]) -> int:
    """Raise a test alarm and say what became of it; 0 where every target took it, else 1.

    Raises
    ------
    SettingsError
        No such tank, alarm or quantity.
    AlarmError
        It is being tried already.
    StoreError
        No service runs, or it has not answered.
    """
    tank = _tank(settings, tank)
    if alarm not in RATIONALE:
        raise SettingsError(f"there is no alarm {alarm!r}; known are {', '.join(RATIONALE)}")
    wrong = wrong_quantity(alarm, quantity)
    if wrong:
        raise SettingsError(wrong)
    path = settings_of_tank(settings, tank).store_path()
    lock = ServiceLock(path)
    if not path.exists() or lock.try_acquire():
        lock.release()
        raise StoreError(
            f"{path}: no service runs here, and a test alarm goes the whole way through it; start `rushlight "
            "run` first, or send each target a plain test with `rushlight notice-test`"
        )
    with EmbeddedStore(path) as store:
        number = store.add_request("try", tank, alarm, quantity, {}, person(), system_clock())
        word, _, name = outcome_of(store, number).partition(": ")
        if word != "done":
            raise AlarmError(name)
        tell(f"{name}: raised as a test; it ends by itself. Acknowledge it to try that too:")
        tell(f"  rushlight acknowledge {name}")
        return _targets(store, name, settings.notices.urls_env, tell)


def _tank(settings: Settings, tank: str) -> str:
    known = ", ".join(settings.tanks)
    if tank and tank not in settings.tanks:
        raise SettingsError(f"{settings.path}: there is no tank {tank!r}; known are {known}")
    if not tank and len(settings.tanks) != 1:
        raise SettingsError(f"{settings.path}: say which tank: --tank, one of {known or 'none'}")
    return tank or next(iter(settings.tanks))


def _targets(store: EmbeddedStore, name: str, variable: str, tell: Callable[[str], None]) -> int:
    """Wait until each target has taken it, or for so long."""
    end = time.monotonic() + _WAIT_S
    while True:
        notices = [notice for notice in store.notices(name) if not notice.number]
        if all(notice.delivered_ms is not None for notice in notices) or time.monotonic() > end:
            break
        time.sleep(0.1)
    if not notices:
        tell(
            "It was sent to nobody: the service has no address for notices. Set the variable "
            f"{variable} where the service runs and start it again (docs/notices.md, 'Targets')."
        )
    for notice in notices:
        why = f" ({notice.error})" if notice.error else ""
        taken = "taken" if notice.delivered_ms is not None else f"not taken so far{why}; it is tried again"
        tell(f"target {notice.target}: {taken}")
    return 0 if notices and all(notice.delivered_ms is not None for notice in notices) else 1
