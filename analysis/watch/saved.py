"""What the store keeps of the analysis: under which names, and taken up from there."""

from __future__ import annotations

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.settings import TankSettings
from rushlight.collector.store.embedded import EmbeddedStore

__all__ = ["ANALYSIS_STATE", "DEVICE_META", "FAILED_META", "watch_of"]

ANALYSIS_STATE = "analysis"
"""Kind of the snapshots in the store, one a tank."""
FAILED_META = "analysis-failed/"
"""Before a tank's name: the detector that failed there last and when, as "lamp 1772330400000"."""
DEVICE_META = "device/"
"""Before a tank's name: what its device last said of itself, as "online 1772330400000"."""


def watch_of(name: str, tank: TankSettings, store: EmbeddedStore) -> tuple[TankWatch, str]:
    """A tank's analysis as the service left it, and what was wrong with it ("" for nothing)."""
    watch = TankWatch(name, tank)
    saved = store.load_state(ANALYSIS_STATE, name)
    if saved is not None:
        try:
            watch.restore(saved[0])
        except StoreError as error:
            return TankWatch(name, tank), str(error)
    return watch, ""
