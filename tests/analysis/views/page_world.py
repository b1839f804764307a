"""Two tanks with a week behind them, as the running service would have left them, for looking at the page."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path

from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.views.access.keys import Keys
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.service.listener import LINKS_META
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

PASSWORD = "three wet stones"
STEP_MS = 60_000
DAY_MS = 86_400_000
SETTINGS = """
[status_page]
port = 0
[tanks.alcove]
title = "Alcove, the long one"
volume_litres = 112
timezone = "Europe/Warsaw"
report_every_s = 60
[tanks.alcove.water]
carbonate_hardness_dkh = 3.0
ph_low = 6.0
ph_high = 7.8
[tanks.alcove.livestock]
temperature_low_c = 21.0
temperature_high_c = 27.0
[tanks.alcove.heater]
setpoint_c = 24.0
watts = 300
[tanks.alcove.light]
on = "11:00"
off = "20:00"
[tanks.alcove.co2]
source = "cylinder"
on = "10:00"
off = "19:00"
[tanks.stairs]
title = "Under the stairs"
volume_litres = 38
timezone = "Europe/Warsaw"
report_every_s = 60
[tanks.stairs.livestock]
temperature_low_c = 17.0
temperature_high_c = 26.0
"""


def early_afternoon(now_ms: int) -> int:
    """The hours ahead of UTC at which it is between 14 and 15 o'clock now, of the same day as in UTC."""
    return 14 - now_ms // 3_600_000 % 24


def settings_text(hours_ahead: int) -> str:
    """The settings with a zone that many hours ahead of UTC (the sign in its IANA name is turned round)."""
    return SETTINGS.replace("Europe/Warsaw", f"Etc/GMT{-hours_ahead:+d}")


def values(tank: str, time_ms: int, hours_ahead: int = 1) -> Iterator[tuple[str, float]]:
    """What the probes say in quiet days: a lamp from 11 to 20, gas from 10 to 19 (Warsaw's winter time)."""
    hour = (time_ms / 3_600_000 + hours_ahead) % 24
    wave = math.sin((hour - 9) / 24 * 2 * math.pi)
    wiggle = math.sin(time_ms / 777_000) / 40
    if tank == "stairs":
        yield "temperature", 21.4 + 0.5 * wave + wiggle
        return
    yield "temperature", 24.0 + 0.3 * wave + wiggle
    on = max(0.0, min(hour - 10, 9)) if hour < 19 else 9 * math.exp(-(hour - 19) / 1.5)
    yield "ph", 7.1 - 0.5 * (1 - math.exp(-on / 2)) + wiggle / 10
    lit = max(0.0, min((hour - 11) * 12, (20 - hour) * 12, 1.0))
    yield "light", (6400 + 40 * math.sin(time_ms / 333_000)) * lit + 3


def quiet(tank: str, start_ms: int, end_ms: int, hours_ahead: int = 1) -> Iterator[Reading]:
    for number, time_ms in enumerate(range(start_ms, end_ms, STEP_MS)):
        for quantity, value in values(tank, time_ms, hours_ahead):
            yield Reading(tank, quantity, time_ms, round(value, 3), Flag.PASS, number)


def world_by_the_wall(folder: Path, now_ms: int, days: int, warm_hours: float = 0) -> Settings:
    """The same with the clock of the wall: the tanks are at the same hour of their day at any time."""
    return world(folder, now_ms, days, warm_hours, hours_ahead=early_afternoon(now_ms))


def world(
    folder: Path,
    now_ms: int,
    days: int = 6,
    warm_hours: float = 0,
    login: bool = True,
    hours_ahead: int | None = None,
) -> Settings:
    """The store of two tanks, in Warsaw or in a zone hours ahead of UTC; the alcove gets too warm in its last
    hours, where that is asked for.
    """
    text = SETTINGS if hours_ahead is None else settings_text(hours_ahead)
    ahead = 1 if hours_ahead is None else hours_ahead
    settings = parse_settings(text, str(folder / "rushlight.toml"))
    (folder / "rushlight.toml").write_text(text)
    start_ms = (now_ms - days * DAY_MS) // STEP_MS * STEP_MS
    readings = []
    for tank in settings.tanks:
        for reading in quiet(tank, start_ms, now_ms, ahead):
            since_h = (reading.time_ms - now_ms) / 3_600_000 + warm_hours
            if tank == "alcove" and reading.quantity == "temperature" and since_h > 0 and reading.value:
                reading.value = round(reading.value + 2.0 * since_h, 3)
            readings.append(reading)
    readings.sort(key=lambda reading: reading.time_ms)
    with EmbeddedStore(settings.store_path(), synchronous="OFF") as store:
        live = LiveAnalysis(settings, make_notifier(settings, lambda: now_ms), lambda: now_ms)
        live.start(store, start_ms)
        live.take(readings, now_ms)
        with store.transaction():
            store.add_readings(readings)
            live.keep(store, now_ms, True)
        store.add_log(
            LogEntry(tank="alcove", time_ms=now_ms - 3 * DAY_MS, changed_share=0.25, done=("cleaned",)),
            "Ola",
            now_ms,
        )
        store.add_log(
            LogEntry(tank="alcove", time_ms=now_ms - 5 * 3_600_000, tests={"kh": 3.0}), "Ola", now_ms
        )
        link = {
            "name": "/dev/ttyUSB0",
            "counters": {"delivered": 8640, "garbled": 2},
            "last_ms": now_ms - 12_000,
        }
        store.set_meta(LINKS_META, json.dumps([link]))
        if login:
            Keys(store).set_password(PASSWORD, now_ms)
    return settings
