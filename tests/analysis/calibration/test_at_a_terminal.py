"""`rushlight calibrate` at a pseudo-terminal, a board on another: the prompts, the waiting, the outcome."""

from __future__ import annotations

import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.simulator.microcontroller import Firmware, PtyLine
from tests.terminal import Terminal

TOML = """
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
[tanks.cellar.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""


def test_a_thermometer_beside_a_good_one_in_fahrenheit(tmp_path: Path) -> None:
    """75.2 °F are 24.0 °C and the probe gives 23.6: 0.4 °C, 0.72 °F (NIST SP 811, B.8), are missing."""
    with closing(PtyLine()) as line:
        link = f'[display]\nunits = "us"\n[[links]]\nkind = "serial"\nport = "{line.port}"\n'
        (tmp_path / "rushlight.toml").write_text(link + TOML, "utf-8")
        EmbeddedStore(tmp_path / "rushlight.db").close()
        stop, firmware = threading.Event(), Firmware("cellar")

        def board() -> None:
            line.wait_for_reader(stop)
            at = round(time.time() * 1000) - 3_600_000
            while not stop.wait(0.03):
                at += 5000  # its clock runs fast, so that a minute is a moment
                line.write(firmware.line(at, [("temperature", 23.6)]), stop)

        thread = threading.Thread(target=board)
        thread.start()
        terminal = Terminal(tmp_path, "calibrate", "cellar", "temperature", "--reference", "75.2")
        try:
            terminal.answer("beside the reference. Then press Enter", "")
            terminal.answer("back to its place. Then press Enter", "")
            assert terminal.end() == 0, terminal.text
        finally:
            stop.set()
            thread.join()
    assert "unplug at the wall" in terminal.text and "by +0.72 °F" in terminal.text
    with EmbeddedStore(tmp_path / "rushlight.db", read_only=True) as store:
        (entry,) = store.log("cellar")
    assert entry.calibration is not None and entry.calibration.offset == pytest.approx(0.4)
