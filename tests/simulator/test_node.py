"""A scene played through a real pseudo-terminal, and the demo's scene itself."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import islice, pairwise

import pytest
import serial

from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.senml import decode_line
from rushlight.collector.links.serial import SerialPortLink
from rushlight.collector.settings import SerialLink, parse_settings
from rushlight.simulator.faults import power_cut, probe_unplugged
from rushlight.simulator.microcontroller import crc16
from rushlight.simulator.node import SimulatedNode
from rushlight.simulator.room import RoomDesign
from rushlight.simulator.scene import SCENE, Chapter, Report, Scene

HOUR = 3_600_000


def _short(hours: float, **changes: object) -> Scene:
    """The demo's tank for a few hours, with nothing wrong unless `changes` say so."""
    end = SCENE.start_ms + int(hours * HOUR)
    quiet = Chapter("quiet", SCENE.start_ms, end, None, "")
    whole = replace(SCENE, chapters=(quiet,), faults=(), room=RoomDesign(), settle_s=0)
    return replace(whole, **changes)  # type: ignore[arg-type]


def _read(node: SimulatedNode) -> list[bytes]:
    got = bytearray()
    with serial.Serial(node.port, 115200, timeout=0.1) as reader, node:
        while not node.join(0):
            got += reader.read(max(1, reader.in_waiting))
        got += reader.read(reader.in_waiting)
    assert got.endswith(b"\n")
    return got.splitlines(keepends=True)


def _pack(line: bytes) -> list[dict[str, object]]:
    body, _, crc = line.rstrip(b"\n").rpartition(b" *")
    assert int(crc, 16) == crc16(body), line
    pack = json.loads(body)
    assert isinstance(pack, list)
    return pack


def test_pyserial_reads_every_report_once_and_in_order() -> None:
    scene = _short(8)
    node = SimulatedNode(scene)
    banner, *lines = _read(node)
    assert banner.endswith(b"reset: power-on\r\n")
    packs = [_pack(line) for line in lines]
    assert [p[0]["seq"] for p in packs] == list(range(8 * 60))
    assert [p[0]["bt"] for p in packs] == [scene.start_ms // 1000 + 60 * n for n in range(8 * 60)]
    assert {p[0]["bn"] for p in packs} == {"landing/"}
    assert node.finished
    assert node.sent == 8 * 60


def test_collectors_own_link_and_decoder_take_every_report() -> None:
    node = SimulatedNode(_short(3))
    link = SerialPortLink(SerialLink(port=node.port), clock=lambda: node.time_ms)
    arrived: list[Delivery] = []
    link.start(arrived.append)
    with node:
        assert node.join(30)
    link.stop()
    reports = [decode_line(delivery.payload) for delivery in arrived]
    assert [r.seq for r in reports] == list(range(180))
    assert not any(r.problems for r in reports)
    assert link.counters["garbled"] == 0


def test_what_arrives_is_what_was_measured() -> None:
    scene = _short(3)
    arrived = [[(r["n"], r.get("v")) for r in _pack(line)] for line in _read(SimulatedNode(scene))[1:]]
    assert arrived == [values for _time, values in scene.reports()]


def test_power_cut_silences_the_node_and_its_numbers_begin_again() -> None:
    start = SCENE.start_ms
    scene = _short(3, faults=(power_cut(start + HOUR, start + 2 * HOUR),))
    lines = _read(SimulatedNode(scene))
    banners = [n for n, line in enumerate(lines) if b"reset" in line]
    assert banners == [0, 61]
    back = _pack(lines[62])
    assert back[0]["seq"] == 0
    assert back[0]["bt"] == (start + 2 * HOUR) // 1000
    assert back[0]["v"] == 85.0  # the probe's register at power-on, as in the part's data sheet
    assert len(lines) == 2 + 120


def test_unplugged_probe_is_reported_as_fault_and_the_others_go_on() -> None:
    scene = _short(1, faults=(probe_unplugged(SCENE.start_ms, SCENE.start_ms + HOUR // 2, "ph"),))
    reports = list(scene.reports())
    assert [dict(v)["ph"] is None for _t, v in reports] == [True] * 30 + [False] * 30
    assert all(dict(v)["temperature"] is not None for _t, v in reports)


def test_paced_node_can_be_closed_before_its_end() -> None:
    node = SimulatedNode(_short(20), speed=600)
    with serial.Serial(node.port, 115200, timeout=5) as reader, node:
        assert b"reset" in reader.readline()
        _pack(reader.readline())
    assert not node.finished
    assert 1 <= node.sent < 20 * 60


def test_fault_inside_the_thread_is_raised_by_join() -> None:
    node = SimulatedNode(_short(1, quantities=("temperature", "ph"), tank="x", step_s=0))
    with serial.Serial(node.port, 115200, timeout=0.1), pytest.raises(ValueError, match="must not be zero"):
        node.start()
        node.join(5)
    node.close()


def test_speed_must_be_positive() -> None:
    with pytest.raises(ValueError, match="more than 0"):
        SimulatedNode(SCENE, speed=0)


@pytest.fixture(scope="module")
def played() -> list[Report]:
    return list(SCENE.play())


def test_demo_settings_are_valid() -> None:
    settings = parse_settings(SCENE.settings_for("/dev/ttyUSB0", "demo.db"))
    assert list(settings.tanks) == [SCENE.tank]
    tank = settings.tanks[SCENE.tank]
    assert tank.volume_litres == SCENE.design.volume
    assert tank.heater is not None
    assert tank.heater.setpoint_c == SCENE.design.setpoint
    assert tank.report_every_s == SCENE.report_every_s
    assert tank.water.carbonate_hardness_dkh == SCENE.design.kh
    assert settings.store.path == "demo.db"


def test_demo_chapters_follow_each_other() -> None:
    assert SCENE.chapters[0].start_ms == SCENE.start_ms
    assert all(a.end_ms == b.start_ms for a, b in pairwise(SCENE.chapters))
    alarms = [c.expected_alarm for c in SCENE.chapters if c.expected_alarm]
    assert alarms == ["co2-overdose", "heater-not-heating", "light-schedule-drift"]
    for chapter in SCENE.chapters:
        assert SCENE.chapter_at(chapter.start_ms) == chapter
        assert SCENE.chapter_at(chapter.end_ms - 1) == chapter


def test_demo_is_the_same_each_time(played: list[Report]) -> None:
    assert list(islice(SCENE.play(), 1500)) == played[:1500]


def test_demo_days_go_as_the_chapters_say(played: list[Report]) -> None:
    """The ordinary days keep the livestock's limits; each fault chapter shows its fault in the readings."""
    assert len(played) == 14_400
    by_chapter = {
        c.title: [dict(r.values) for r in played[1:] if c.start_ms <= r.time_ms < c.end_ms]
        for c in SCENE.chapters
    }

    def lowest(title: str, quantity: str) -> float:
        return min(values[quantity] for values in by_chapter[title])  # type: ignore[type-var,return-value]

    for ordinary in ("Settling in", "An ordinary day"):
        assert lowest(ordinary, "temperature") > 22.5
        assert lowest(ordinary, "ph") > 6.75  # 25 mg/L CO2 at 4 dKH, by PHREEQC as in test_chemistry
    assert lowest("A night surge", "ph") < 6.6
    assert 18.0 < lowest("The heater dies", "temperature") < 21.0
    first_on = next(
        r.time_ms
        for r in played
        if r.time_ms > SCENE.end_ms - 24 * HOUR and (dict(r.values)["light"] or 0) > 3000
    )
    late_min = (first_on - (SCENE.end_ms - 12 * HOUR)) / 60_000
    assert late_min == pytest.approx(16, abs=1.5)  # 8 minutes a day for two days
