"""The lines of keys in a TOML text, and that a message names them."""

from __future__ import annotations

import json
import random
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import parse_settings
from rushlight.collector.settings.lines import Path, key_lines, line_at

keys = st.text(st.sampled_from("ab-_1ä .\"'\\#[]=\t"), min_size=0, max_size=4)
texts = st.text(st.sampled_from("ab\"'\\#[]{},=\n ä"), max_size=8)
scalars = texts | st.integers(-9, 9) | st.booleans() | st.floats(-1e6, 1e6).map(lambda x: round(x, 3))
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=8,
)
tables = st.dictionaries(
    keys, values | st.lists(st.dictionaries(keys, values, max_size=3), min_size=1, max_size=3), max_size=4
)


class Writer:
    """Writes a table as TOML in ways drawn by lot, and notes the line where each key comes first."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self.parts: list[str] = []
        self.lines: dict[Path, int] = {}

    def put(self, text: str) -> None:
        self.parts.append(text)

    def note(self, path: Path) -> None:
        self.lines.setdefault(path, "".join(self.parts).count("\n") + 1)

    def gap(self) -> None:
        self.put(self.chance.choice(["", " ", "\t"]))

    def space(self) -> None:
        """Where line ends and comments may be."""
        self.put(self.chance.choice(["", " ", "\n", "\r\n", " # a = [1\n", "\n\n  "]))

    def key(self, key: str) -> str:
        bare = key and all(letter in "ab-_1" for letter in key)
        plain = not any(letter in "'\t" for letter in key)
        return self.chance.choice([key] * bool(bare) + [f"'{key}'"] * plain + [json.dumps(key)])

    def text(self, text: str) -> str:
        ways = [json.dumps(text)]
        if "'" not in text and "\n" not in text:
            ways.append(f"'{text}'")
        if "'''" not in text and not text.startswith("\n"):
            ways.append(f"'''{text}'''" if not text.endswith("'") else f"'''\n{text}'''")
        ways.append('"""' + text.replace("\\", "\\\\").replace('"""', '""\\"').replace("\n", "\n") + '"""')
        good = [way for way in ways if _reads(way) == text]
        return self.chance.choice(good)

    def value(self, value: Any, path: Path) -> None:
        if isinstance(value, list):
            self.put("[")
            for number, one in enumerate(value, 1):
                self.space()
                self.note((*path, number))
                self.value(one, (*path, number))
                self.space()
                if number < len(value) or self.chance.random() < 0.3:
                    self.put(",")
            self.space()
            self.put("]")
        elif isinstance(value, dict):
            self.put("{")
            for place, (key, one) in enumerate(value.items()):
                self.put("," if place else "")
                self.gap()
                self.pair(key, one, path)
            self.put("}")
        else:
            self.put(self.text(value) if isinstance(value, str) else json.dumps(value))

    def pair(self, key: str, value: Any, path: Path) -> None:
        self.note((*path, key))
        self.put(self.key(key))
        # a table of one key may be written with a dot
        while isinstance(value, dict) and len(value) == 1 and self.chance.random() < 0.5:
            path = (*path, key)
            ((key, value),) = value.items()
            self.note((*path, key))
            self.put(self.chance.choice([".", " . "]) + self.key(key))
        self.gap()
        self.put("=")
        self.gap()
        self.value(value, (*path, key))
        self.gap()

    def document(self, document: dict[str, Any]) -> str:
        def is_array(value: Any) -> bool:
            return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)

        later = {k: v for k, v in document.items() if isinstance(v, dict) or is_array(v)}
        headed = {k: v for k, v in later.items() if self.chance.random() < 0.7}
        self.body({k: v for k, v in document.items() if k not in headed}, ())
        for key, value in headed.items():
            for number, one in enumerate(value if is_array(value) else [value], 1):
                self.space()
                self.put("\n")
                path: Path = (key, number) if is_array(value) else (key,)
                self.note((key,))
                self.note(path)
                name = self.key(key)
                self.put(f"[[{name}]]" if is_array(value) else f"[{name}]")
                self.put("\n")
                nested = [k for k, v in one.items() if isinstance(v, dict) and self.chance.random() < 0.5]
                self.body({k: v for k, v in one.items() if k not in nested}, path)
                for inner in nested:
                    self.put("\n")
                    self.note((*path, inner))
                    self.put(f"[{name}.{self.key(inner)}] # comment\n")
                    self.body(one[inner], (*path, inner))
        return "".join(self.parts)

    def body(self, table: dict[str, Any], path: Path) -> None:
        for key, value in table.items():
            self.space()
            if self.parts and not "".join(self.parts).endswith("\n"):
                self.put("\n")
            self.pair(key, value, path)
            self.put(self.chance.choice(["\n", "\r\n", " # x = 'a\n"]))


def _reads(way: str) -> Any:
    try:
        return tomllib.loads(f"x = {way}")["x"]
    except tomllib.TOMLDecodeError:
        return None


@settings(deadline=None, max_examples=400)
@given(tables, st.randoms(use_true_random=False))
def test_every_key_is_found_in_its_line(document: dict[str, Any], chance: random.Random) -> None:
    writer = Writer(chance)
    text = writer.document(document)
    assert tomllib.loads(text) == document  # the text is what it should be, so its lines can be relied on
    assert key_lines(text) == writer.lines


@given(st.text() | st.text(st.sampled_from("[]{}=.,\"'\\#\n ab1")))
def test_no_text_holds_the_scanner_up(text: str) -> None:
    try:
        found = key_lines(text)
    except tomllib.TOMLDecodeError:
        with pytest.raises(tomllib.TOMLDecodeError):
            tomllib.loads(text)
        return
    assert all(1 <= line <= text.count("\n") + 1 for line in found.values())


def test_what_is_not_there_has_the_line_of_the_table_around_it() -> None:
    lines = key_lines("a = 1\n\n[b.c]\nd = 2\n[[e]]\n[[e.f]]\n[[e]]\n[[e.f]]\n[[e.f]]\ng.h = 1\n")
    assert line_at(lines, ("b", "c", "missing")) == 3
    assert line_at(lines, ("b", "missing")) == 3
    assert line_at(lines, ("e", 2, "f", 2, "g", "missing")) == 10
    assert line_at(lines, ("e", 1, "f", 1)) == 6
    assert line_at(lines, ("missing",)) is None


WRONG = """\
[[links]]
kind = "mqtt"
porrt = 1883
host = ""
[[links.map]]
topic = "a+/b"
tank = "loft"
quantity = "pH"

[[links]]
kind = "serial"
port = "/dev/ttyUSB0"
baud = 0

[store]
path = "rushlight.db"
keep_days = { ph = 0, lihgt = 30 }

[tanks.loft]
volume_litres = "54"
timezone = "Europe/Nowhere"
report_every_s = 86_400
[tanks.loft.livestock]
temperature_low_c = 26
temperature_high_c = 18
[tanks.loft.water]
ph_low = 7.8
ph_high = 12
[tanks.loft.light]
on = "25:00"

[notices]
resend_min = 1e15
quiet_from = "23:00"

[statuspage]
port = 1
"""


def test_all_faults_are_reported_at_once_each_with_its_line_and_key() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(WRONG, "mine.toml")
    noticed = str(caught.value).splitlines()
    assert [line.split(": ")[:3] for line in noticed] == [
        ["mine.toml", f"line {number}", key]
        for number, key in (
            (3, "links[1].porrt"),
            (4, "links[1].host"),
            (6, "links[1].map[1].topic"),
            (8, "links[1].map[1].quantity"),
            (13, "links[2].baud"),
            (17, "store.keep_days.ph"),
            (17, "store.keep_days.lihgt"),
            (20, "tanks.loft.volume_litres"),
            (21, "tanks.loft.timezone"),
            (22, "tanks.loft.report_every_s"),
            (23, "tanks.loft.livestock"),
            (28, "tanks.loft.water.ph_high"),
            (29, "tanks.loft.light"),
            (30, "tanks.loft.light.on"),
            (32, "notices"),
            (33, "notices.resend_min"),
            (36, "statuspage"),
        )
    ]
    said = {line.split(": ")[2]: line for line in noticed}
    assert "did you mean 'port'?" in said["links[1].porrt"]
    assert "must be from 1 to 12000000 bit/s, not 0" in said["links[2].baud"]
    assert "must be more than 0 and at most 3600 seconds" in said["tanks.loft.report_every_s"]
    assert "must be from 3 to 11, not 12" in said["tanks.loft.water.ph_high"]
    assert "temperature_low_c must be below" in said["tanks.loft.livestock"]
    assert "did you mean 'status_page'?" in said["statuspage"]
    assert "did you mean 'ph'?" in said["links[1].map[1].quantity"]


def test_what_is_wrong_already_is_not_found_fault_with_twice() -> None:
    tank = '[tanks.loft]\nvolume_litres = 5\ntimezone = "UTC"\n[tanks.loft.livestock]\n'
    limits = "temperature_low_c = 18\ntemperature_high_c = 26\n"
    for text, only in (
        (tank + "temperature_low_c = 180\ntemperature_high_c = 26\n", "livestock.temperature_low_c"),
        (tank + limits + '[tanks.loft.light]\non = 8\noff = "20:00"\n', "light.on"),
        (tank + limits + "[tanks.loft.ph_calibration]\npoints = [{ph = 7}]\n", "points[1].mv"),
        (tank + "temperature_low_c = 18\n[tanks.loft.heater]\nsetpoint_c = 24\n", "temperature_high_c"),
        (
            '[tanks]\nloft = 5\n[[links]]\nkind = "mqtt"\n[[links.map]]\ntank = "loft"\ntopic = "a"\n'
            'quantity = "ph"\n',
            "tanks.loft",
        ),
    ):
        with pytest.raises(SettingsError) as caught:
            parse_settings(text, "mine.toml")
        (line,) = str(caught.value).splitlines()
        assert only in line.split(": ")[2]


def test_the_name_of_a_tank_is_declared_too() -> None:
    with pytest.raises(SettingsError, match=r"line 1: tanks\.a b: 'a b' is not a tank's name; begin with a"):
        parse_settings(
            '["tanks"."a b"]\nvolume_litres = 5\ntimezone = "UTC"\n'
            "livestock = { temperature_low_c = 18, temperature_high_c = 26 }\n"
        )
