"""The sensor node's program on simavr, its serial port at the real collector."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import wait_for
from tests.firmware_notes.avr import NOTES, Program, SimulatedBoard, Workshop, simulated_board
from tests.running_service import Service

NAMED = '-DTANK="hallway"'
ALL_WELL = "0 water 24.0625\n0 room 19.5\n0 light 7200\n0 electrode 1800\n"


def serial_link(port: Path) -> str:
    return f'[[links]]\nkind = "serial"\nport = "{port}"\n'


def collected(
    service: Callable[..., Service], board: SimulatedBoard, wait_s: float
) -> dict[str, list[tuple[int, float | None]]]:
    """What `rushlight run` stored of all that the board sent: quantity -> (report number, value)."""
    running = service(serial_link(board.port))
    running.start()
    running.wait_log("open at 115200 baud")
    board.switch_on()
    board.wait_end(wait_s)
    sent = len(board.packs())
    wait_for(lambda: len(running.readings("light")) >= sent, f"{sent} reports in the store")
    found = {
        quantity: [(row[0], row[2]) for row in running.readings(quantity)]
        for quantity in ("temperature", "room_temperature", "ph_probe", "light")
    }
    assert running.stop() == 0
    return found


def test_fits_into_two_kilobytes_and_compiles_without_a_warning(workshop: Workshop, tmp_path: Path) -> None:
    """2048 bytes of RAM and 32 KB of flash less half for a loader: the chip's data sheet (from memory)."""
    program = workshop.program(NAMED)
    assert program.warnings == ""
    free = run_alone(workshop, program, tmp_path, ALL_WELL, 25).ram_never_used()
    assert program.ram + free < 2048, "the stack was never used: the paint is not looked at"
    assert free >= 700
    # the notes' own figures, to be renewed where the program has grown
    text = (NOTES / "README.md").read_text(encoding="utf-8")
    stated = re.search(r"(\d+) bytes of flash, (\d+) of RAM before the stack, (\d+) never used", text)
    assert stated is not None
    for figure, found in zip(stated.groups(), (program.flash, program.ram, free), strict=True):
        assert abs(int(figure) - found) <= 0.1 * found, (stated.groups(), program, free)


def test_readings_are_what_was_at_the_pins_and_faults_are_faults(
    workshop: Workshop, service: Callable[..., Service], tmp_path: Path
) -> None:
    """Every 5 s: each event lies a second and a half and more before the measuring of its report."""
    events = (
        ALL_WELL + "5.5 hum 150\n5.5 water 24.125\n"  # hum of 50 mV at the electrode
        "10.5 water unplugged\n10.5 room -0.0625\n"
        "15.5 water shorted\n15.5 light unplugged\n"
        "20.5 water damaged\n20.5 hum 0\n20.5 electrode 10\n"
        "25.5 water damaged-once\n25.5 light 48\n25.5 electrode 4085\n"
        "30.5 water no-supply\n30.5 room unplugged\n30.5 electrode 1410\n"
        "35.5 water 25.5\n35.5 room 20.75\n35.5 light 65535\n"
    )
    program = workshop.program(NAMED, "-DREPORT_MS=5000")
    with simulated_board(workshop, program, tmp_path, events, 41, speed=20) as board:
        found = collected(service, board, 60)
    seqs = list(range(8))
    for quantity, rows in found.items():
        assert [seq for seq, _ in rows] == seqs, quantity
    values = {quantity: [value for _, value in rows] for quantity, rows in found.items()}
    # a damaged reading is read once more before it is a fault
    assert values["temperature"] == [24.0625, 24.125, None, None, None, 24.125, None, 25.5]
    assert values["room_temperature"] == [19.5, 19.5, -0.0625, -0.0625, -0.0625, -0.0625, None, 20.75]
    assert values["light"] == [6000, 6000, 6000, None, None, 40, 40, 54613]
    expected = [*[_on_simavr(1800)] * 4, None, None, *[_on_simavr(1410)] * 2]
    for value, electrode in zip(values["ph_probe"], expected, strict=True):
        assert (value is None) == (electrode is None)
        assert value is None or electrode is None or abs(value - electrode) < 0.5


def _on_simavr(millivolts: float) -> float:
    """The electrode's mV that simavr gives: it has 1023 steps and cuts off, the chip 1024 and rounds."""
    return ((millivolts * 1023 / 4096 - 0.5) * 4096 / 1024 - 1500) / 3


def test_hum_adds_up_to_nothing_over_whole_periods_only(workshop: Workshop, tmp_path: Path) -> None:
    """Hum of 200 mV at the electrode; a mean over 100 ms of it is even, one over 34 ms is not."""
    spread = {}
    for readings in (98, 34):
        folder = tmp_path / str(readings)
        folder.mkdir()
        program = workshop.program(NAMED, "-DREPORT_MS=2003", f"-DELECTRODE_READINGS={readings}")
        board = run_alone(workshop, program, folder, f"{ALL_WELL}0 hum 600\n", 25)
        values = [_value(line.text, "ph_probe") for line in board.packs()]
        assert len(values) == 12
        spread[readings] = max(values) - min(values)
    assert spread[98] < 2.0
    assert spread[34] > 20.0


def run_alone(
    workshop: Workshop, program: Program, folder: Path, events: str, until_s: float
) -> SimulatedBoard:
    """A board with nobody at its port, run to the end."""
    with simulated_board(workshop, program, folder, events, until_s, speed=-1) as board:
        board.switch_on()
        board.wait_end(60)
    return board


def _value(text: str, quantity: str) -> float:
    pack = json.loads(text.rpartition(" *")[0])
    (value,) = [record["v"] for record in pack if record["n"] == quantity]
    assert isinstance(value, int | float)
    return float(value)


@pytest.mark.parametrize(("bits", "shown"), [(9, 24.5), (10, 24.75), (11, 24.875), (12, 24.9375)])
def test_bits_of_the_thermometer(workshop: Workshop, tmp_path: Path, bits: int, shown: float) -> None:
    """The probe is told how many bits; steps as in such probes' data sheets (from memory)."""
    program = workshop.program(NAMED, "-DREPORT_MS=2000", f"-DTHERMOMETER_BITS={bits}")
    board = run_alone(workshop, program, tmp_path, ALL_WELL + "0.1 water 24.9375\n", 4.5)
    assert [_value(line.text, "temperature") for line in board.packs()] == [shown, shown]


def test_converter_and_light_sensor_of_other_kinds(
    workshop: Workshop, service: Callable[..., Service], tmp_path: Path
) -> None:
    """13200 counts of 0.125 mV are 1650 mV; a light sensor with registers, low byte first."""
    program = workshop.program(
        *(NAMED, "-DREPORT_MS=3000", "-DELECTRODE_ON_I2C=1", "-DLUX_START=0x00,0x00,0x18"),
        *("-DLUX_RESULT=0x04", "-DLUX_HIGH_BYTE_FIRST=0", "-DLUX_PER_COUNT=0.5"),
    )
    events = ALL_WELL + "0 light_low_first now\n0 converter 13200\n3.5 converter unplugged\n"
    with simulated_board(workshop, program, tmp_path, events, 7, speed=20) as board:
        found = collected(service, board, 60)
    assert found["ph_probe"] == [(0, 50.0), (1, None)]
    assert found["light"] == [(0, 3600), (1, 3600)]


def test_the_count_of_milliseconds_wraps_and_no_report_is_lost(workshop: Workshop, tmp_path: Path) -> None:
    """2^32 ms are 49.7 days: the count is set to 7 s before, while the board prints its name at the start."""
    program = workshop.program(f'-DTANK="{"x" * 60}"', "-DREPORT_MS=5000")
    events = f"{ALL_WELL}0.001 millis {2**32 - 7000}\n8.0 water 24.5\n"
    lines = run_alone(workshop, program, tmp_path, events, 21).packs()
    assert [round(line.at) for line in lines] == [5, 10, 15, 20]  # the wrap lies between the first two
    assert [json.loads(line.text.rpartition(" *")[0])[0]["seq"] for line in lines] == [0, 1, 2, 3]
    assert [_value(line.text, "temperature") for line in lines] == [24.0625, 24.5, 24.5, 24.5]


def test_a_report_without_room_says_so(workshop: Workshop, tmp_path: Path) -> None:
    """A tank's name that fills the line stands for rows that somebody has added."""
    program = workshop.program(f'-DTANK="{"x" * 220}"', "-DREPORT_MS=2000")
    board = run_alone(workshop, program, tmp_path, ALL_WELL, 5)
    assert board.packs() == []
    assert sum("no room for these rows" in line.text for line in board.lines()) == 2


def test_a_program_that_hangs_is_started_again_and_the_collector_goes_on(
    workshop: Workshop, service: Callable[..., Service], tmp_path: Path
) -> None:
    events = ALL_WELL + "9.5 hang now\n17.5 water 24.5\n"
    program = workshop.program(NAMED, "-DREPORT_MS=3000")
    with simulated_board(workshop, program, tmp_path, events, 25, speed=20) as board:
        found = collected(service, board, 60)
        (boot,) = [line for line in board.lines() if line.text.endswith("reset cause 8")]
    assert 11.0 < boot.at < 12.5  # two seconds after it hung
    assert [seq for seq, _ in found["temperature"]] == [0, 1, 2, 0, 1, 2, 3]
    assert found["temperature"][-1] == (3, 24.5)
