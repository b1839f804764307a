"""collector/intake/senml.py against RFC 8428's examples, the CRC's published check value and properties."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.errors import WireError
from rushlight.collector.intake.senml import (
    MAX_PAYLOAD,
    Record,
    Report,
    TopicMaps,
    decode_line,
    decode_pack,
)
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import TopicMap
from tests.collector.intake.senml_writer import add_crc, encode_pack

# The contract's own example.
PACK = (
    b'[{"bn":"hallway/","bt":1772330400,"n":"temperature","u":"Cel","v":24.06},'
    b'{"n":"ph","u":"pH","v":6.82},{"n":"light","u":"lx","v":7421}]'
)


def pack(*records: dict[str, Any]) -> bytes:
    return json.dumps(records).encode()


def refused(payload: bytes) -> WireError:
    with pytest.raises(WireError) as caught:
        decode_pack(payload)
    assert str(caught.value)
    return caught.value


def kinds(report: Report) -> list[str]:
    return [problem.kind for problem in report.problems]


def test_contract_example() -> None:
    report = decode_pack(PACK)
    time = 1772330400_000
    assert report.tank == "hallway"
    assert report.seq == -1
    assert report.records == [
        Record("temperature", 24.06, time),
        Record("ph", 6.82, time),
        Record("light", 7421.0, time),
    ]
    assert not report.problems


# RFC 8428 section 5.1.1 "Single Data Point", 5.1.2 "Multiple Data Points", 5.1.3 "Multiple Measurements".
# Quantities of ours stand where the RFC measures voltage, current or humidity: what is checked is the
# arithmetic of the base fields. Numbers and section numbers are from memory, the RFC was not at hand.
def test_rfc8428_single_point_unknown_quantity() -> None:
    error = refused(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
    assert error.kind == "quantity"


def test_rfc8428_base_time_and_relative_times() -> None:
    """Section 5.1.2, second example: bt and t = -5 … 0."""
    items: list[dict[str, Any]] = [
        {"bn": "tank/", "bt": 1.276020076001e9, "bu": "lx", "bver": 5, "n": "light", "v": 120.1}
    ]
    items += [
        {"n": "light", "t": t, "v": v} for t, v in zip(range(-5, 0), [1.2, 1.3, 1.4, 1.5, 1.6], strict=True)
    ]
    items.append({"n": "light", "v": 1.7})
    report = decode_pack(pack(*items))
    base = 1276020076001
    times = [record.time_ms for record in report.records]
    assert times == [base, *(base + 1000 * t for t in range(-5, 0)), base]
    assert [record.value for record in report.records] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_rfc8428_relative_to_now() -> None:
    """Section 4.5.3: below 2**28 a time is relative to now; section 5.1.3 uses t = -60 and the like."""
    report = decode_pack(
        pack({"bn": "a/", "n": "ph", "v": 7, "t": -60}, {"n": "light", "v": 1, "t": 2**28 - 1})
    )
    assert [(r.time_ms, r.age_ms) for r in report.records] == [(None, 60_000), (None, -(2**28 - 1) * 1000)]
    report = decode_pack(pack({"bn": "a/", "n": "ph", "v": 7, "t": 2**28}))
    assert report.records[0].time_ms == 2**28 * 1000


def test_rfc8428_base_value_and_unit() -> None:
    """Section 4.1: base value is added, base unit holds for records without one."""
    report = decode_pack(pack({"bn": "a/", "bu": "Cel", "bv": 20.0, "n": "temperature", "v": 4.5}))
    assert report.records == [Record("temperature", 24.5)]


def test_rfc8428_base_fields_change_in_the_middle() -> None:
    """Section 4.1: base fields hold until the next of their kind."""
    report = decode_pack(
        pack({"bn": "a/", "bt": 1.7e9}, {"n": "ph", "v": 7}, {"bt": 1.7e9 + 10, "n": "ph", "v": 7.1})
    )
    assert [record.time_ms for record in report.records] == [1_700_000_000_000, 1_700_000_010_000]


def test_rfc8428_version_and_mandatory_labels() -> None:
    """Section 4.4: a greater version, or an unknown label that ends in "_", refuses the pack."""
    assert refused(pack({"bn": "a/", "bver": 11, "n": "ph", "v": 7})).kind == "version"
    assert refused(pack({"bn": "a/", "n": "ph", "v": 7, "foo_": 1})).kind == "senml"
    assert decode_pack(pack({"bn": "a/", "n": "ph", "v": 7, "foo": "x_"})).records


@pytest.mark.parametrize(
    ("quantity", "unit", "sent", "kept"),
    [
        ("temperature", "K", 297.21, 24.06),  # 0 °C = 273.15 K, SI brochure (BIPM, 9th ed.), section 2.3.1
        ("ph_probe", "V", 0.1775, 177.5),
        ("heater_power", "kW", 0.05, 50.0),
    ],
)
def test_registered_units_are_converted(quantity: str, unit: str, sent: float, kept: float) -> None:
    report = decode_pack(pack({"bn": "a/", "n": quantity, "u": unit, "v": sent}))
    assert report.records == [Record(quantity, pytest.approx(kept, abs=1e-9))]


def test_wrong_unit_says_what_to_send() -> None:
    report = decode_pack(
        pack({"bn": "a/", "n": "temperature", "u": "F", "v": 75}, {"n": "ph", "u": "pH", "v": 7})
    )
    assert report.records == [Record("ph", 7.0)]
    assert kinds(report) == ["unit"]
    assert "farad" in str(report.problems[0])
    assert "send 'Cel'" in str(report.problems[0])


def test_faults_have_no_value() -> None:
    report = decode_pack(
        pack(
            {"bn": "a/", "n": "ph"},
            {"n": "light", "vs": "fault"},
            {"n": "temperature", "u": "Cel", "v": None},
        )
    )
    assert report.records == [Record("ph", None), Record("light", None), Record("temperature", None)]


@pytest.mark.parametrize("bad", ["NaN", "Infinity", "-Infinity", "1e999", '"24"', "true", "[1]", "{}"])
def test_bad_value_costs_only_itself(bad: str) -> None:
    text = f'[{{"bn":"a/","bt":1772330400,"seq":4,"n":"temperature","v":{bad}}},{{"n":"ph","v":6.9}}]'
    report = decode_pack(text.encode())
    assert report.records == [Record("ph", 6.9, 1772330400_000)]
    assert report.seq == 4
    assert len(report.problems) == 1


@pytest.mark.parametrize("bad", [r'"u":"\ud800"', r'"\udc00":1', r'"vd":"\ud83dx"'])
def test_half_a_surrogate_pair_costs_only_its_record(bad: str) -> None:
    # RFC 8259 section 8.2: JSON's grammar allows it, and no UTF-8 text can hold it
    report = decode_pack(b'[{"bn":"hall/","n":"temperature","v":24},{"n":"ph","v":7,%b}]' % bad.encode())
    assert report.records[0] == Record("temperature", 24.0)
    str([str(problem) for problem in report.problems]).encode()


def test_other_value_kinds_are_counted() -> None:
    report = decode_pack(
        pack({"bn": "a/", "n": "ph", "vs": "fine"}, {"n": "light", "vb": True}, {"n": "temperature", "v": 20})
    )
    assert [record.quantity for record in report.records] == ["temperature"]
    assert kinds(report) == ["value", "value"]


@pytest.mark.parametrize("seq", [-1, 1.5, "7", True, 2**60])
def test_bad_seq_keeps_the_readings(seq: object) -> None:
    report = decode_pack(pack({"bn": "a/", "n": "ph", "v": 7, "seq": seq}))
    assert report.seq == -1
    assert report.records
    assert kinds(report) == ["seq"]


def test_one_pack_one_tank() -> None:
    report = decode_pack(pack({"n": "a/ph", "v": 7}, {"n": "b/ph", "v": 8}))
    assert report.tank == "a"
    assert kinds(report) == ["tank"]


@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        (b"", "json"),
        (PACK[:60], "json"),
        (b"\xff\xfe", "encoding"),
        (b'{"n":"a/ph","v":7}', "senml"),
        (b"[]", "empty"),
        (b'[{"bn":"a/"}]', "empty"),
        (b'[{"n":"ph","v":7}]', "name"),
        (b'[{"n":"no such tank!/ph","v":7}]', "name"),
        (b"[" * 50_000, "json"),
        (b" " * (MAX_PAYLOAD + 1), "size"),
    ],
)
def test_refused_whole(payload: bytes, kind: str) -> None:
    assert refused(payload).kind == kind


def test_tank_from_the_topic() -> None:
    assert decode_pack(b'[{"n":"ph","v":7}]', "hallway").tank == "hallway"
    assert decode_pack(b'[{"bn":"shed/","n":"ph","v":7}]', "hallway").tank == "shed"


def test_crc_check_value() -> None:
    """CRC-16/IBM-3740 of "123456789" is 0x29B1 (G. Cook, catalogue of CRC algorithms; from memory)."""
    assert add_crc(b"123456789") == b"123456789 *29B1"


def test_line_with_crc() -> None:
    line = add_crc(PACK)
    assert decode_line(line + b"\r\n") == decode_pack(PACK)
    damaged = line.replace(b"24.06", b"34.06")
    with pytest.raises(WireError) as caught:
        decode_line(damaged)
    assert caught.value.kind == "crc"


def test_line_without_crc_and_banner() -> None:
    assert decode_line(PACK + b"\n") == decode_pack(PACK)
    for text in (b"boot: reset cause 4\r\n", b"[I] joined\n", b"\xff\n", b"\n"):
        with pytest.raises(WireError) as caught:
            decode_line(text)
        assert caught.value.kind == "text"


def test_pack_glued_to_a_torn_line() -> None:
    report = decode_line(PACK[:41] + add_crc(PACK))
    assert report.records == decode_pack(PACK).records
    assert kinds(report) == ["torn"]


_tank = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,20}", fullmatch=True)
_value = st.none() | st.floats(-1e6, 1e6, allow_nan=False)
_absolute = st.integers(2**28 * 1000, 4_000_000_000_000)
_age = st.integers(-100_000_000, 1_000_000_000)
_record = st.builds(
    Record, st.sampled_from(sorted(QUANTITIES)), _value, st.none(), st.none() | _age
) | st.builds(Record, st.sampled_from(sorted(QUANTITIES)), _value, _absolute, st.none())
_report = st.builds(
    Report, _tank, st.integers(-1, 2**53 - 1), st.lists(_record, min_size=1, max_size=6), st.just([])
)


@given(_report)
def test_round_trip(report: Report) -> None:
    payload = encode_pack(report)
    assert decode_pack(payload) == report
    assert decode_line(add_crc(payload)) == report


@given(_report, st.data())
def test_crc_finds_any_single_damaged_byte(report: Report, data: st.DataObject) -> None:
    payload = encode_pack(report)
    line = bytearray(add_crc(payload))
    place = data.draw(st.integers(0, len(payload) - 1))
    line[place] ^= data.draw(st.integers(1, 255))
    try:
        found = decode_line(bytes(line))
    except WireError:
        return
    assert found.records == report.records  # blank before the pack: nothing was damaged that counts


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=8,
)
_labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "seq", "x_", "ut"]
)
_named = st.sampled_from(["a/", "ph", "a/light", "temperature", "Cel", "K", "fault", ""])
_almost = st.lists(st.dictionaries(_labels, _json | _named | st.floats(), max_size=6) | _json, max_size=5)


def _sound(report: Report) -> None:
    assert report.tank
    assert report.records
    assert report.seq >= -1
    for record in report.records:
        assert record.quantity in QUANTITIES
        assert record.value is None or (isinstance(record.value, float) and math.isfinite(record.value))
        assert record.time_ms is None or abs(record.time_ms) <= 2**53
        assert record.age_ms is None or abs(record.age_ms) <= 2**53


@given(_almost | _json)
def test_only_wire_errors_from_json(document: Any) -> None:
    payload = json.dumps(document).encode()
    for decode in (decode_pack, decode_line):
        try:
            _sound(decode(payload))
        except WireError as error:
            assert str(error)


@given(
    st.binary(max_size=200)
    | st.builds(lambda a, b: PACK[:a] + b, st.integers(0, 150), st.binary(max_size=60))
)
def test_only_wire_errors_from_bytes(payload: bytes) -> None:
    maps = TopicMaps(
        [
            TopicMap(topic="t", tank="a", quantity="ph"),
            TopicMap(topic="t", tank="a", quantity="light", field="x.y"),
        ]
    )
    for decode in (decode_pack, decode_line, lambda p: maps.decode("t", p)):
        try:
            _sound(decode(payload))
        except WireError as error:
            assert str(error)


MAPS = TopicMaps(
    [
        TopicMap(topic="shed/probe1/t", tank="hallway", quantity="temperature", field="reading.value"),
        TopicMap(topic="shed/+/f", tank="hallway", quantity="temperature", unit="F"),
        TopicMap(topic="plain/#", tank="porch", quantity="ph"),
        TopicMap(topic="both", tank="hallway", quantity="ph", field="a.0"),
        TopicMap(topic="both", tank="porch", quantity="light", field="b"),
    ]
)


def test_topic_map() -> None:
    report = MAPS.decode("shed/probe1/t", b'{"reading":{"value":24.06}}')
    assert report == Report("hallway", -1, [Record("temperature", 24.06)], [])
    # 77 °F = 25 °C exactly, by the scale's definition (5/9 of the excess over 32)
    report = MAPS.decode("shed/any/f", b"77")
    assert report is not None
    assert report.records == [Record("temperature", 25.0)]
    assert MAPS.decode("elsewhere", b"1") is None
    assert MAPS.decode("shed/a/b/f", b"1") is None
    reports = MAPS.decode_all("both", b'{"a":[6.5],"b":"120"}')
    assert [(r.tank, r.records[0].value) for r in reports] == [("hallway", 6.5), ("porch", 120.0)]


@pytest.mark.parametrize("payload", [b"nan", b"null", b"", b"NaN"])
def test_topic_map_fault_words(payload: bytes) -> None:
    report = MAPS.decode("plain/x", payload)
    assert report is not None
    assert report.records == [Record("ph", None)]


@pytest.mark.parametrize(
    ("topic", "payload", "kind"),
    [
        ("plain/x", b"7,2", "number"),
        ("plain/x", b"1_0", "number"),
        ("plain/x", b"inf", "number"),
        ("plain/x", b"1e999", "number"),
        ("plain/x", b'{"v":1}', "number"),
        ("plain", b"\xff", "encoding"),
        ("plain", b"1" * (MAX_PAYLOAD + 1), "size"),
        ("shed/probe1/t", b"{", "json"),
        ("shed/probe1/t", b'{"reading":7}', "field"),
        ("shed/probe1/t", b'{"reading":{"value":true}}', "number"),
    ],
)
def test_topic_map_refuses(topic: str, payload: bytes, kind: str) -> None:
    with pytest.raises(WireError) as caught:
        MAPS.decode(topic, payload)
    assert caught.value.kind == kind


@given(st.lists(st.sampled_from(["a", "b", "+", "", "$x"]), min_size=1, max_size=4), st.booleans(), st.data())
def test_topic_filters_as_paho_matches_them(levels: list[str], rest: bool, data: st.DataObject) -> None:
    """Reference: `topic_matches_sub` of paho-mqtt 2.x."""
    from paho.mqtt.client import topic_matches_sub

    pattern = "/".join([*levels, "#"] if rest else levels)
    topic = "/".join(data.draw(st.lists(st.sampled_from(["a", "b", "", "$x"]), min_size=1, max_size=5)))
    if not pattern or not topic:
        return
    ours = TopicMaps([TopicMap(topic=pattern, tank="a", quantity="ph")]).decode(topic, b"7") is not None
    assert ours == topic_matches_sub(pattern, topic)
