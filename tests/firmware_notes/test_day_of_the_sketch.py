"""A day of the sensor node on simavr with the collector behind it, both by the simulated clock."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from rushlight.collector.intake.timing import Stamper
from rushlight.collector.links import make_link
from rushlight.collector.readings import Reading
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import wait_for
from tests.firmware_notes.avr import SimulatedBoard, Workshop, simulated_board
from tests.running_service import TANK

BEGAN = 1_772_323_200_000  # 2026-03-01 00:00 UTC
DAY_S = 86_400
RESET_S = 50_400.01  # while a line is on its way
EVERY_S = 600
SLEPT_S = 598.0  # of each ten minutes are left out: the board sleeps, and its clock is set on


class NobodyListens:
    """A listener that makes nothing of the readings."""

    def take(self, readings: Sequence[Reading], now_ms: int) -> None: ...
    def device(self, tank: str, online: bool, now_ms: int) -> None: ...
    def tick(self, now_ms: int) -> None: ...
    def poll(self, store: EmbeddedStore, now_ms: int) -> None: ...
    def wants(self, now_ms: int) -> bool:
        return False

    def keep(self, store: EmbeddedStore, now_ms: int, closing: bool) -> None: ...
    def kept(self, now_ms: int) -> None: ...
    def hold(self, store: EmbeddedStore, now_ms: int, why: str) -> None: ...


def _water(hour: int) -> float:
    """A day's water, in steps of the thermometer, °C."""
    return round((24 + 0.8 * math.sin(hour / 24 * 2 * math.pi)) * 16) / 16


def _day() -> str:
    """Water and lamp change half a minute after a report."""
    events = [(0.0, "room 20.0"), (0.0, "electrode 1800")]
    for hour in range(24):
        events.append((hour * 3600 + 30.0, f"water {_water(hour)}"))
        events.append((hour * 3600 + 30.0, f"light {9600 if 9 <= hour < 18 else 0}"))
    events.append((RESET_S, "reset now"))
    return "".join(f"{at} {what}\n" for at, what in sorted(events, key=lambda event: event[0]))


def _collect(board: SimulatedBoard, folder: Path) -> tuple[list[Reading], Stamper]:
    """All of the day through the serial link, the stamper, the flags and the store."""
    settings = parse_settings(f'[[links]]\nkind = "serial"\nport = "{board.port}"\n{TANK}')

    def clock() -> int:
        return BEGAN + board.now_ms()

    link = make_link(settings.links[0], clock)
    opened: list[CollectorService] = []

    def serve() -> None:
        with closing(EmbeddedStore(folder / "day.db")) as store:
            opened.append(CollectorService(settings, store, [link], NobodyListens(), clock))
            opened[0].run()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        wait_for(lambda: link.counters["opened"], "the port to be open")
        board.switch_on()
        end, taken = time.monotonic() + 100, 0
        while board.is_running() and time.monotonic() < end:
            if link.counters["delivered"] > taken:
                begun = [line for line in board.lines() if line.text.startswith("[")]  # also the one cut off
                if begun[taken] in board.packs():
                    board.go_on()
                taken += 1
            time.sleep(0.005)
        board.wait_end(1)
        sent = len(board.packs())
        wait_for(lambda: link.counters["delivered"] >= sent, f"{sent} lines, {link.counters}")
    finally:
        opened[0].stop()
        thread.join(20)
    with closing(EmbeddedStore(folder / "day.db", read_only=True)) as store:

        def saved(kind: str) -> bytes | None:
            found = store.load_state(kind, "hallway")
            return None if found is None else found[0]

        return list(store.readings("hallway", "temperature")), Stamper.load(saved)


def test_a_day_with_a_reset_loses_nothing_that_its_numbers_do_not_show(
    workshop: Workshop, tmp_path: Path
) -> None:
    program = workshop.program('-DTANK="hallway"', f"-DREPORT_MS={EVERY_S * 1000}")
    with simulated_board(workshop, program, tmp_path, _day(), DAY_S, skip_s=SLEPT_S) as board:
        readings, stamper = _collect(board, tmp_path)
        packs = board.packs()
    first_boot = int(RESET_S) // EVERY_S - 1  # the last one was cut off by the reset
    second_boot = int((DAY_S - RESET_S - 0.5) // EVERY_S)
    # every report that the board sent whole is there once, by its number, at the time at which it was sent
    assert [row.seq for row in readings] == [*range(first_boot), *range(second_boot)]
    assert len(packs) == len(readings)
    for row, line in zip(readings, packs, strict=True):
        assert abs((row.time_ms - BEGAN) / 1000 - line.at) < 5.0
        hour = int(line.at - 2 - 30) // 3600  # measuring begins a second before the line
        assert row.value == (_water(hour) if line.at > 630 else row.value)
    # what is lost is shown: the reset as a boot, no report between two numbers
    assert stamper.state.rebooted == 1
    assert stamper.state.lost == 0
