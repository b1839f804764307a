"""`rushlight explain ALARM-ID`: in the terminal, or as a picture."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from rushlight.analysis.explain.displayed import displayed
from rushlight.analysis.explain.explanation import explain
from rushlight.analysis.explain.terminal import explanation_lines
from rushlight.analysis.replay.sources import open_readings
from rushlight.collector.errors import ReplayError
from rushlight.collector.service.parts import settings_of_tank
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.units import titles

__all__ = ["explain_alarm"]


def explain_alarm(
    settings: Settings, alarm_id: str, png: str | None, now_ms: int, warn: TextIO
) -> Iterator[str]:
    """What to print; with `png` the picture is drawn into that file.

    Raises
    ------
    SettingsError
        matplotlib is missing, or there are parts and none has such a tank.
    StoreError
        There is no such alarm, or its readings are gone.
    ReplayError
        The file can't be written.
    """
    if png is not None:
        from rushlight.analysis.explain.png import draw_png, require_matplotlib

        require_matplotlib()
        if not Path(png).absolute().parent.is_dir():
            raise ReplayError(f"{png}: can't be written (no such folder); check the folder")
    settings = settings_of_tank(settings, alarm_id.partition("/")[0])
    with (
        EmbeddedStore(settings.store_path(), read_only=True) as store,
        open_readings(settings, store, warn) as readings,
    ):
        found = explain(settings, store, readings, alarm_id, now_ms)
        found = displayed(found, settings.display.units, titles(settings.tanks))
    if png is None:
        yield from explanation_lines(found)
        return
    try:
        draw_png(found, png)
    except OSError as error:
        raise ReplayError(f"{png}: can't be written ({error.strerror or error}); check the folder") from None
    yield f"{found.event.occurrence}: drawn in {png}"
