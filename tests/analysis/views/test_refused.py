"""Refused reports are shown where a keeper looks, with the last example and the line that would fix it."""

from __future__ import annotations

import io
import json
import logging
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.views.refused import RefusedFacts, refused_facts
from rushlight.analysis.views.status import print_status
from rushlight.collector.errors import WireError
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.refusals import REFUSED_STATE, Refusals, load_refusals
from rushlight.collector.log import ClearLog
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.collector.test_safe_text import shown_page, unsafe
from tests.conftest import now_ms

SETTINGS = """
[[links]]
kind = "mqtt"
[[links.map]]
topic = "loft/probe"
tank = "loft"
quantity = "temperature"
field = "temp"
[[links.map]]
topic = "loft/plain"
tank = "loft"
quantity = "ph"
[tanks.loft]
volume_litres = 60
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""


class Watch:
    """What the service does with payloads, and what is then shown."""

    def __init__(self, folder: Path) -> None:
        self.settings: Settings = parse_settings(SETTINGS, str(folder / "rushlight.toml"))
        self.now = now_ms()
        self.start()

    def start(self) -> None:
        self.maker = BatchMaker(self.settings, ClearLog(logging.getLogger("x"), lambda: self.now))
        with EmbeddedStore(self.settings.store_path()) as store:
            self.maker.restore(store)

    def give(self, topic: str | None, payload: bytes) -> None:
        batch = self.maker.make([Arrival(0, Delivery("broker:1883", topic, payload, self.now))])
        with EmbeddedStore(self.settings.store_path()) as store, store.transaction():
            batch.write(store)

    def facts(self, settings: Settings | None = None) -> list[RefusedFacts]:
        with EmbeddedStore(self.settings.store_path(), read_only=True) as store:
            return refused_facts(settings or self.settings, store, self.now)

    def status(self) -> str:
        out = io.StringIO()
        with EmbeddedStore(self.settings.store_path(), read_only=True) as store:
            print_status(self.settings, store, self.now, out)
        return out.getvalue()


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return Watch(tmp_path)


def senml(name: str, value: float = 21.0, **more: object) -> bytes:
    return json.dumps([{"n": name, "v": value, **more}]).encode()


@pytest.mark.parametrize(
    ("topic", "payload", "kind", "mend"),
    [
        (
            "rushlight/shed/readings",
            senml("temperature"),
            "unknown-tank",
            "[tanks.shed] with volume_litres and timezone, and [tanks.shed.livestock]",
        ),
        ("rushlight/a.b/readings", senml("temperature"), "unknown-tank", '[tanks."a.b"] with'),
        (None, senml("temperature", bn="attic/"), "unknown-tank", "[tanks.attic] with"),
        (
            "rushlight/loft/readings",
            senml("temperature", u="F"),
            "unit",
            "in the firmware: send the value in the unit named",
        ),
        ("rushlight/loft/readings", b"[{torn", "json", ""),
        (
            "rushlight/loft/readings",
            b'{"id": "x", "water": {"n": 4, "temp_c": 21.5}}',
            "senml",
            '[[links.map]] with topic = "rushlight/loft/readings", tank = "loft", quantity = "temperature", '
            'field = "water.temp_c"',
        ),
        (
            "rushlight/loft/readings",
            b"21.5",
            "senml",
            '[[links.map]] with topic = "rushlight/loft/readings", tank = "loft", quantity = "temperature"',
        ),
        ("kitchen/scale", b"12", "topic", '[[links.map]] with topic = "kitchen/scale", tank = "loft"'),
        (
            "loft/probe",
            b'{"battery": 3.1, "t": 21.5}',
            "field",
            'in [[links.map]] of this topic: field = "t" or field = "battery"',
        ),
        ("loft/plain", b'{"pH": 6.8}', "number", 'in [[links.map]] of this topic: field = "pH"'),
        ("loft/plain", b"wet", "number", ""),
        ("rushlight/loft/readings", senml("temperature", bn="porch/"), "tank", ""),
    ],
)
def test_a_refused_report_is_shown_with_what_would_mend_it(
    watch: Watch, topic: str | None, payload: bytes, kind: str, mend: str
) -> None:
    assert "the last one: " not in watch.status()
    watch.give(topic, payload)
    watch.now += 20_000
    watch.give(topic, payload)
    (shown,) = watch.facts()
    assert (shown.kind, shown.count, shown.age_ms) == (kind, 2, 0)
    assert shown.mend.startswith(mend) and bool(mend) == bool(shown.mend)
    assert shown.example == payload.decode() and shown.reason
    assert shown.where == ("broker:1883" if topic is None else f"broker:1883: {topic}")
    said = watch.status()
    assert f"refused 2 times, last 0 s ago, {shown.where}" in said
    assert f"the last one: {payload.decode()}" in said and ("to fix it: " in said) == bool(mend)
    page = shown_page(watch.settings.store_path())
    assert "<strong>Refused</strong> 2 times, last" in page


def test_the_lines_offered_are_toml_that_is_taken(watch: Watch) -> None:
    watch.give("rushlight/loft/readings", b'{"water": {"temp_c": 21.5}}')
    (shown,) = watch.facts()
    line = shown.mend.removeprefix("[[links.map]] with ").replace(", ", "\n")
    link = '[[links]]\nkind = "mqtt"\nclient_id = "other"\n'
    more = parse_settings(SETTINGS + f"{link}[[links.map]]\n{line}\n")
    maker = BatchMaker(more, ClearLog(logging.getLogger("x"), now_ms))
    delivery = Delivery("x", "rushlight/loft/readings", b'{"water": {"temp_c": 21.5}}', now_ms())
    (reading,) = maker.make([Arrival(1, delivery)]).readings
    assert (reading.tank, reading.quantity, reading.value) == ("loft", "temperature", 21.5)


def test_a_bad_part_of_a_good_report_is_shown_too(watch: Watch) -> None:
    watch.give("rushlight/loft/readings", b'[{"n":"temperature","v":21},{"n":"mood","v":1}]')
    (shown,) = watch.facts()
    assert (shown.kind, shown.count) == ("quantity", 1) and "'mood'" in shown.reason
    assert "refused once 0 s ago" in watch.status()


def test_what_is_mended_or_long_ago_is_not_shown(watch: Watch) -> None:
    watch.give("rushlight/shed/readings", senml("temperature"))
    mended = parse_settings(SETTINGS + SETTINGS[SETTINGS.index("[tanks.loft]") :].replace("loft", "shed"))
    assert watch.facts() and not watch.facts(mended)
    watch.now += 86_400_000 - 1
    assert watch.facts()
    watch.now += 1
    assert not watch.facts()


def test_it_outlives_a_restart(watch: Watch) -> None:
    watch.give("rushlight/shed/readings", senml("temperature"))
    watch.start()
    watch.give("rushlight/shed/readings", senml("temperature"))
    assert [shown.count for shown in watch.facts()] == [2]


def test_a_flood_of_names_pushes_out_its_own_kind_only(watch: Watch) -> None:
    watch.give("rushlight/loft/readings", b"[{torn")
    for number in range(100):
        watch.give(f"rushlight/t{number}/readings", senml("temperature"))
    kinds = [shown.kind for shown in watch.facts()]
    assert kinds == ["unknown-tank"] * 8 + ["json"]


def test_a_state_of_another_version_is_no_fault() -> None:
    assert load_refusals(b"\xc1") == load_refusals(None) == load_refusals(b"\x01") == []
    assert REFUSED_STATE == "refused"


@given(
    st.text(max_size=300).filter(bool) | st.just("rushlight/loft/readings") | st.just("loft/probe"),
    st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    ).map(lambda value: json.dumps(value).encode()),
    st.sampled_from(["unknown-tank", "topic", "field", "number", "unit", "json", "senml", "tank", "size"]),
    st.text(max_size=70),
)
def test_whatever_was_refused_it_can_be_shown(topic: str, payload: bytes, kind: str, tank: str) -> None:
    from rushlight.analysis.views import refused

    settings = parse_settings(SETTINGS)
    noted = Refusals()
    noted.note(Delivery("broker", topic, payload, 1), WireError(kind, topic), tank)
    (one,) = noted._known.values()
    assert isinstance(refused._mended(one, settings), bool)
    mend = refused.mending_line(one, settings)
    assert isinstance(mend, str)
    if mend.startswith("[[links.map]] with topic = "):
        key = mend.removeprefix("[[links.map]] with ").partition(", tank = ")[0]
        assert tomllib.loads(key)["topic"] == topic[:200]


def test_nothing_with_a_control_character_is_shown(watch: Watch) -> None:
    watch.give("loft/pro\x1bbe", b"\x1b[2J\x07")
    watch.give("rushlight/loft/readings", b'[{"n":"\\u001b[2J","v":1}]')
    for shown in watch.facts():
        assert unsafe("".join([shown.where, shown.reason, shown.example, shown.mend])) == []
    assert "\\x1b[2J\\x07" in watch.status()
