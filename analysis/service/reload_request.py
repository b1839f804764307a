"""`rushlight reload`: asks the running service to read its settings again, and waits for what it says."""

from __future__ import annotations

from collections.abc import Callable

from rushlight.analysis.service.requests import outcome_of, person
from rushlight.collector.errors import SettingsError, StoreError
from rushlight.collector.service.listener import system_clock
from rushlight.collector.service.parts import parts_present, settings_of_part
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.service_lock import ServiceLock

__all__ = ["reload_all"]

_WITHIN_S = 30.0  # a tank that is new may have a month of readings to learn from


def reload_all(common: Settings, say: Callable[[str], object]) -> None:
    """Ask the service of these settings, or of each part; what changed is said line by line.

    Raises
    ------
    SettingsError
        The service does not take them; nothing was changed there.
    StoreError
        None runs, or it has not answered within 30 s.
    """
    refused = []
    for own in [settings_of_part(common, part) for part in parts_present(common)] or [common]:
        path = own.store_path()
        if not path.exists() or not ServiceLock(path).running():
            raise StoreError(
                f"{path}: no service runs on this store; settings are read when it starts (`rushlight run`). "
                "If [store] path is new, restart the service"
            )
        with EmbeddedStore(path) as store:
            number = store.add_request("reload", "", "", "", {}, person(), system_clock())
            word, _, text = outcome_of(store, number, _WITHIN_S).partition(": ")
        if word == "done":
            say(text)
        else:
            refused.append(text)
    if refused:
        raise SettingsError("\n".join(refused))
