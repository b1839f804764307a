"""A calibration and the running service: its next reports are by it, and buffers are no water."""

from __future__ import annotations

import threading
import time
from contextlib import closing
from pathlib import Path

from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import parse_settings
from rushlight.simulator.microcontroller import Firmware, PtyLine
from tests.conftest import wait_for
from tests.running_service import Service

MINUTE = 60_000
NOW = 1_768_435_200_000  # 2026-01-15T00:00Z
TOML = """
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
[tanks.cellar.livestock]
temperature_low_c = 18
temperature_high_c = 26
co2_limit_mg_l = 30
[tanks.cellar.water]
carbonate_hardness_dkh = 5
"""


def test_a_running_service_uses_it_from_the_next_report_on(tmp_path: Path) -> None:
    """+30 mV at pH 7 and 25 °C is 30 / 59.159 = 0.507 pH (Nernst equation)."""
    with closing(PtyLine()) as line:
        service = Service(tmp_path, f'[[links]]\nkind = "serial"\nport = "{line.port}"\n')
        stop, firmware = threading.Event(), Firmware("hallway")

        def board() -> None:
            line.wait_for_reader(stop)
            while not stop.wait(0.2):
                values = [("temperature", 25.0), ("ph_probe", 0.0)]
                line.write(firmware.line(round(time.time() * 1000), values), stop)

        def newest() -> float | None:
            try:
                values = [value for _, _, value, _ in service.readings("ph")]
            except StoreError:  # not there yet, or half made
                return None
            return None if not values else values[-1]

        thread = threading.Thread(target=board)
        service.start()
        thread.start()
        try:
            wait_for(lambda: newest() == 7.0, "pH 7.00 by the ideal electrode")
            points = ("--point", "7.00=30", "--point", "4.00=207.477", "--celsius", "25")
            done = service.ask("calibrate", "hallway", "ph", *points)
            assert done.returncode == 0, done.stderr
            wait_for(lambda: abs((newest() or 0) - 7.507) < 0.002, "pH 7.51 by the calibration")
            done = service.ask("calibrate", "hallway", "--undo", "1")
            assert done.returncode == 0, done.stderr
            wait_for(lambda: newest() == 7.0, "pH 7.00 again")
            assert service.stop() == 0
        finally:
            stop.set()
            thread.join()
            service.end()


def events(in_hand: bool, minutes: int = 18) -> list[Event]:
    """Three days of pH 7.2, then so long in buffers of pH 7 and 4, then the tank again."""
    settings = parse_settings(TOML)
    intake, watch = Intake(settings), TankWatch("cellar", settings.tanks["cellar"])
    start = NOW + 3 * 1440 * MINUTE
    end = start + minutes * MINUTE
    found: list[Event] = []
    for at in range(NOW, end + 180 * MINUTE, MINUTE // 2):
        mv = -11.8 + at // 30_000 % 3 * 0.3  # pH 7.2
        if start <= at < end:
            mv = 0.0 if at < start + 4 * MINUTE else 177.5
        if in_hand and at == start:
            intake.calibrate({}, {"cellar": {"ph_probe": (start, end)}})
        for quantity, value in (("temperature", 22.0 + at // 30_000 % 5 * 0.02), ("ph_probe", mv)):
            for flagged in intake.take(Reading("cellar", quantity, at, value)):
                found += watch.feed(flagged)
    return [one for one in found if one.event == "raised" and one.alarm != "setting-doubtful"]


def test_buffers_raise_nothing_while_the_probe_is_in_hand() -> None:
    assert events(in_hand=True) == []
    assert [one.alarm for one in events(in_hand=False)] == ["co2-overdose"]
    # longer than that, it is missed: whoever forgot it is told
    assert {one.alarm for one in events(in_hand=True, minutes=30)} == {"probe-fault"}


def test_what_a_device_kept_from_before_and_a_clock_put_back_are_the_tanks() -> None:
    """In hand for half an hour from now, and since two minutes ago: a device may be so far behind."""
    intake = Intake(parse_settings(TOML))
    intake.calibrate({}, {"cellar": {"temperature": (NOW - 2 * MINUTE, NOW + 30 * MINUTE)}})
    ages_min = {1: Flag.FAIL, -29: Flag.FAIL, -31: Flag.PASS, 3: Flag.PASS, 300: Flag.PASS}
    for age_min, flag in ages_min.items():
        taken = intake.take(Reading("cellar", "temperature", NOW - age_min * MINUTE, 22.0))
        assert (taken[0].flag == Flag.FAIL) is (flag == Flag.FAIL), age_min
