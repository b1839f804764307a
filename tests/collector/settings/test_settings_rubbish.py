"""Whatever is in the settings file, what comes of it is settings or a `SettingsError` in words."""

from __future__ import annotations

import copy
import json
import os
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rushlight.analysis.commands.main import main
from rushlight.analysis.views.overview import overview
from rushlight.collector.errors import SettingsError
from rushlight.collector.links import make_link
from rushlight.collector.settings import Settings, load_settings, parse_settings
from rushlight.collector.settings.convert import convert
from rushlight.collector.settings.topic_filters import filter_fault
from tests.collector.test_safe_text import unsafe

WHOLE: dict[str, Any] = {
    "links": [
        {"kind": "serial", "port": "/dev/null", "baud": 115200},
        {
            "kind": "mqtt",
            "host": "localhost",
            "port": 1883,
            "username": "collector",
            "client_id": "one",
            "protocol": "5",
            "map": [{"topic": "a/b", "tank": "loft", "quantity": "ph", "field": "x.y", "unit": "pH"}],
        },
    ],
    "store": {"path": "rushlight.db", "keep_days": {"ph": 30}},
    "tanks": {
        "loft": {
            "title": "Loft",
            "volume_litres": 54,
            "timezone": "UTC",
            "report_every_s": 10,
            "livestock": {"temperature_low_c": 18, "temperature_high_c": 26, "co2_limit_mg_l": 30},
            "water": {
                "carbonate_hardness_dkh": 4,
                "tap_hardness_dkh": 6,
                "general_hardness_dgh": 8,
                "active_soil": True,
                "ph_low": 6.0,
                "ph_high": 8.0,
            },
            "co2": {"control": "ph-controller", "ph_setpoint": 6.7},
            "light": {"on": "10:00", "off": "20:00", "weekend": [["09:00", "12:00"], ["14:00", "01:00"]]},
            "ph_calibration": {"points": [{"ph": 4.0, "mv": 170.0}, {"ph": 7.0, "mv": 1.0}]},
        }
    },
    "notices": {"resend_min": 15, "quiet_from": "23:00", "quiet_to": "07:00"},
    "status_page": {"host": "127.0.0.1", "port": 8742},
}
MINIMAL = """
[tanks.loft]
volume_litres = 54
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""
MAP = MINIMAL + '[[links]]\nkind = "mqtt"\n[[links.map]]\ntank = "loft"\nquantity = "ph"\ntopic = {}\n'


def toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, float):
        return {"inf": "inf", "-inf": "-inf", "nan": "nan"}.get(repr(value), repr(value))
    return json.dumps(value)


def places(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [at] if at else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in items:
        found += places(one, (*at, key))
    return found


PLACES = places(WHOLE)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
odd = (
    texts
    | st.sampled_from(["/", ".", "..", "", "a/", "a\0b", "$share/a/b", "#", "a+/b", "x" * 5000, "http://["])
    | st.integers()
    | st.sampled_from([10**400, 2**63, -1, 0, 65536])
    | st.floats()
    | st.booleans()
    | st.recursive(st.none() | texts, lambda inner: st.lists(inner, max_size=2), max_leaves=3).filter(
        lambda value: "null" not in json.dumps(value)
    )
    | st.dictionaries(texts, st.integers(), max_size=2)
)


def changed(changes: list[tuple[tuple[Any, ...], Any]]) -> dict[str, Any]:
    made = copy.deepcopy(WHOLE)
    for place, value in changes:
        at: Any = made
        try:
            for key in place[:-1]:
                at = at[key]
            at[place[-1]] = value
        except (TypeError, KeyError, IndexError):
            pass  # an earlier change took its place away
    return made


@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.sampled_from(PLACES), odd), max_size=3))
def test_whatever_the_values_settings_or_words(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    text = "\n".join(f"{key} = {toml(value)}" for key, value in changed(changes).items())
    with TemporaryDirectory() as folder:
        path = f"{folder}/mine.toml"
        try:
            made = parse_settings(text, path)
            overview(made)
            for link in made.links:
                make_link(link, lambda: 0)
        except SettingsError as error:
            assert unsafe(str(error).replace("\n", "")) == []
            assert changes


@settings(deadline=None, max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.sampled_from(PLACES), odd), max_size=3))
def test_the_types_are_read_as_msgspec_reads_them(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    """msgspec ends at the first fault, but where there is one is for it to say as well."""
    data = changed(changes)
    found, faults = convert(data)
    try:
        wanted = msgspec.convert(data, Settings)
    except msgspec.ValidationError:
        assert faults
        return
    beyond_msgspec = ("finite number", "beyond all use", "characters; at most", "control character")
    assert all(any(words in fault.text for words in beyond_msgspec) for fault in faults)
    assert faults or found == wanted


def test_the_unchanged_settings_are_good() -> None:
    assert overview(parse_settings("\n".join(f"{key} = {toml(value)}" for key, value in WHOLE.items())))


@settings(deadline=None)
@given(st.binary(max_size=200) | st.text().map(str.encode))
def test_whatever_the_bytes_settings_or_words(data: bytes) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "mine.toml"
        path.write_bytes(data)
        try:
            load_settings(path)
        except SettingsError as error:
            assert str(error).startswith(str(path))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        ("a = " + "{a = " * 5000 + "1" + "}" * 5000, "nested too deeply"),
        ("a" + ".a" * 5000 + " = 1", "line 1: a: unknown table"),
        ("a = " + "1" * 5000, "a value can't be read (Exceeds the limit (4300"),
        ("[store]\nkeep_days = {ph = 1" + "0" * 400 + "}", "store.keep_days.ph: is a number beyond all use"),
        ('[store]\npath = "/"', "store.path: '/' names no file"),
        ('[store]\npath = ""', "store.path: '' names no file"),
        ('[store]\npath = "a\\u0000b"', "store.path: has a control character in it (a\\x00b)"),
        (f'[store]\npath = "{"x" * 5000}"', "store.path: is text of 5000 characters"),
        ('[[links]]\nkind = "mqtt"\nhost = ""', "links[1].host: is empty"),
        ('[[links]]\nkind = "mqtt"\nclient_id = ""', "links[1].client_id: is empty"),
        (
            MAP.format('"a+/b"'),
            "links[1].map[1].topic: 'a+/b' is not an MQTT topic filter (+ only as a level",
        ),
        (MAP.format('"a/#/b"'), "topic: 'a/#/b' is not an MQTT topic filter (# only at the end"),
        (MAP.format('"a#"'), "topic: 'a#' is not an MQTT topic filter (# only at the end"),
        (MAP.format('""'), "topic: '' is empty"),
        (
            MAP.format('"a"\nunit = "F"'),
            "links[1].map[1].unit: 'F' can't be turned into ph; write 'pH', or leave it out",
        ),
        (MAP.format('"$share/g/a"'), "is a shared subscription"),
        (MAP.format(f'"{"a/" * 300}"'), "is too long for a broker"),
        ("\n".join(f"a{number} = 1" for number in range(500)), "and 450 more"),
    ],
    ids=lambda text: text[:24],
)
def test_what_is_wrong_is_named(text: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, "mine.toml")
    assert f"mine.toml: {says}" in str(caught.value) or says in str(caught.value)
    assert all(line.startswith("mine.toml: ") for line in str(caught.value).splitlines())
    assert len(str(caught.value)) < 60_000


@pytest.mark.parametrize("topic", ["a", "/", "a/+/b", "+", "#", "a/#", "+/+/#", "a//b", "ä/b c", "/a"])
def test_a_well_formed_filter_is_taken(topic: str) -> None:
    """Examples of MQTT 5 section 4.7.1, and of what it allows."""
    assert filter_fault(topic) is None
    assert parse_settings(MAP.format(json.dumps(topic))).links


def test_a_file_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mine = tmp_path / "mine.toml"
    for data, says in (
        (MINIMAL.encode("utf-16"), "line 1: not UTF-8 text; save the file as UTF-8"),
        (b"a = 1\n# \xe9t\xe9\n", "line 2: not UTF-8 text"),
        (b"#" * 17_000_000, "is larger than 16 MB"),
    ):
        mine.write_bytes(data)
        assert main(["check", "--config", str(mine)]) == 2
        assert f"{mine}: {says}" in capsys.readouterr().err
    assert main(["check", "--config", str(tmp_path)]) == 2
    assert f"{tmp_path}: is a folder" in capsys.readouterr().err
    assert main(["check", "--config", "/dev/zero"]) == 2
    assert "/dev/zero: is larger" in capsys.readouterr().err
    with pytest.raises(SettingsError, match="can't be read"):
        load_settings("a\0b")
    with pytest.raises(SettingsError, match="can't be read"):
        load_settings("x" * 5000)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_bytes(b"\xef\xbb\xbf" + MINIMAL.encode())
    assert list(load_settings(tmp_path / "mine.toml").tanks) == ["loft"]


def test_a_pipe_is_read(tmp_path: Path) -> None:
    out, into = os.pipe()
    os.write(into, MINIMAL.encode())
    os.close(into)
    assert list(load_settings(f"/dev/fd/{out}").tanks) == ["loft"]
    os.close(out)


def test_a_folder_in_place_of_the_store_is_said_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rushlight.db").mkdir()
    Path("rushlight.toml").write_text(MAP.format('"a"'))
    Path("a.csv").write_text("time,tank,quantity,value\n")
    for words in (["status"], ["import", "a.csv"]):
        assert main(words) == 1
        assert "rushlight.db" in capsys.readouterr().err
