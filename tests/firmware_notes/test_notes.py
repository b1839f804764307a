"""What the notes show a reader must be what the collector takes."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

from rushlight.collector.electrode import ph_from_millivolts
from rushlight.collector.intake.senml import decode_line
from rushlight.collector.settings import parse_settings
from rushlight.simulator.microcontroller import UNITS

NOTES = Path(__file__).parents[2] / "firmware_notes"
TEXT = (NOTES / "README.md").read_text(encoding="utf-8")


def test_line_in_the_notes_is_read_by_the_collector() -> None:
    (line,) = re.findall(r"^    (\[\{.*\*[0-9A-F]{4})$", TEXT, re.MULTILINE)
    report = decode_line(line.encode())
    assert not report.problems
    assert [(r.quantity, r.value) for r in report.records] == [
        ("temperature", 23.0625),
        ("room_temperature", None),
        ("ph_probe", 0.0),
        ("light", 6400.0),
    ]


def test_calibration_in_the_notes_is_valid_and_meets_its_own_buffers() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
    tank = """
[tanks.porch]
volume_litres = 60
timezone = "Europe/Riga"
livestock = { temperature_low_c = 18.0, temperature_high_c = 26.0 }
"""
    points = parse_settings(tank + block).tanks["porch"].ph_calibration.points
    assert [round(ph_from_millivolts(p.mv, 20.0, points), 3) for p in points] == [p.ph for p in points]


def test_every_quantity_is_in_the_notes() -> None:
    assert [name for name in UNITS if f"`{name}`" not in TEXT] == []


def test_sketch_sends_quantities_with_their_units() -> None:
    sketch = (NOTES / "sensor_node" / "sensor_node.ino").read_text(encoding="utf-8")
    sent = dict(re.findall(r'pack\.add\("(\w+)", "(\w+)"', sketch))
    assert sent
    assert sent == {name: UNITS[name] for name in sent}


def test_pages_and_drawings_of_the_notes_are_there_and_can_be_read() -> None:
    pages = sorted(NOTES.glob("*.md"))
    assert len(pages) == 5
    for page in pages:
        for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
            assert (NOTES / target).exists(), f"{page.name}: {target}"
    drawing = ElementTree.parse(NOTES / "wiring.svg").getroot()
    words = " ".join(text for text in drawing.itertext())
    assert all(word in words for word in ("isolation", "drip loops", "5 V and below", "no mains"))


def test_the_caution_is_beside_each_step_that_leads_to_the_water() -> None:
    """Unplug at the wall, dry hands: common practice of such work, as the first page has it."""
    wiring = (NOTES / "wiring.md").read_text(encoding="utf-8")
    wifi = (NOTES / "mqtt-node.md").read_text(encoding="utf-8")
    steps = [
        TEXT.partition("## Calibrating")[2].partition("1. Rinse")[0],
        TEXT.partition("## When something")[2].partition("| what you see")[0],
        wiring.partition("**Where the probes sit.**")[2].partition("Water probe")[0],
        wiring.partition("## Where stray current")[2].partition("- Filters")[0],
        wifi.partition("| file")[0],
    ]
    for step in steps:
        assert re.search("unplug .*at the wall", " ".join(step.split()), re.IGNORECASE), step[:200]
    tingle = re.sub(r"\s+", " ", steps[3])
    assert re.search(
        "tingle .*: no hand in the water .*at the breaker, and call a licensed electrician", tingle
    )
    assert "at the board" not in TEXT, "two things are called so: the breakers' and the node's"


def test_settings_of_the_nodes_are_one_tank() -> None:
    header = (NOTES / "sensor_node" / "settings.h").read_text(encoding="utf-8")
    settings = (NOTES / "mqtt_node" / "settings.py").read_text(encoding="utf-8")
    assert re.findall(r'#define TANK "(\w+)"', header) == re.findall(r'^TANK = "(\w+)"', settings, re.M)
