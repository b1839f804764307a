"""Whatever comes in over the wire: no exception leaves the reader, and a bad part costs only itself."""

from __future__ import annotations

import json
import logging
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.collector.errors import WireError
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.senml import TopicMaps, decode_line, decode_pack
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import QUANTITIES
from rushlight.collector.settings import TopicMap, parse_settings
from tests.collector.intake.senml_writer import add_crc
from tests.collector.test_safe_text import SETTINGS

NOW_MS = 1_790_000_000_000
plain = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=6)
    | st.sampled_from([10**400, -1, 2**53, 1e308, "loft/", "fault", "Cel", "F", NOW_MS / 1000, -5])
)
labels = st.sampled_from(["bn", "bt", "bu", "bv", "bver", "n", "u", "v", "vs", "vb", "t", "s", "seq", "x_"])
record = st.dictionaries(labels, plain | st.sampled_from(sorted(QUANTITIES)), max_size=6)
document = st.recursive(
    plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
)
payloads = (
    st.binary(max_size=80)
    | (st.lists(record | plain, max_size=4) | document).map(lambda value: json.dumps(value).encode())
    | st.lists(record, min_size=1, max_size=2).map(lambda value: add_crc(json.dumps(value).encode()))
    | st.sampled_from(
        [b"[" * 60_000, b'[{"n":' * 9_000, b'{"a":' * 9_000 + b"1", b"1" * 5_000, b"[{}]", b"-"]
    )
)
topics = (
    st.none()
    | st.sampled_from(
        ["rushlight/loft/readings", "rushlight/loft/device", "loft/x", "rushlight//readings", "/"]
    )
    | st.text(max_size=20).map("rushlight/{}/readings".format)
    | st.text(max_size=20)
)


def maker() -> BatchMaker:
    return BatchMaker(parse_settings(SETTINGS), ClearLog(logging.getLogger("rushlight.any"), lambda: NOW_MS))


@settings(deadline=None, max_examples=300)
@given(st.lists(st.tuples(topics, payloads), min_size=1, max_size=4))
def test_nothing_breaks_the_reader_and_good_neighbours_are_kept(
    parts: list[tuple[str | None, bytes]],
) -> None:
    good = b'[{"bn":"loft/","n":"light","u":"lx","v":4321}]'
    given_ = [*parts, ("rushlight/loft/readings", good)]
    arrivals = [Arrival(0, Delivery("x", topic, payload, NOW_MS)) for topic, payload in given_]
    batch = maker().make(arrivals)
    assert "bad.internal" not in batch.counts
    assert {reading.tank for reading in batch.readings} == {"loft"}
    assert batch.readings[-1].value == 4321
    assert all(device[0] == "loft" for device in batch.devices)


@settings(deadline=None)
@given(payloads, st.text(max_size=10), st.booleans())
def test_decoders_raise_their_own_error_only(payload: bytes, tank: str, only: bool) -> None:
    maps = TopicMaps([TopicMap(topic="#", tank="loft", quantity="ph", field=tank or None)])
    for decode in (
        lambda: decode_pack(payload, tank, only),
        lambda: decode_line(payload),
        lambda: maps.decode_all("a/b", payload),
    ):
        try:
            decode()
        except WireError as error:
            assert error.kind and str(error)


@settings(deadline=None)
@given(st.lists(record, max_size=3), st.integers(0, 3))
def test_a_bad_record_costs_only_itself(bad: list[dict[str, Any]], place: int) -> None:
    """But for base fields, a version and labels that must be understood: they speak for the whole pack."""
    mine = {"n": "light", "u": "lx", "v": 4321}
    harmless = [{k: v for k, v in one.items() if k[0] != "b" and not k.endswith("_")} for one in bad]
    pack = [*harmless[:place], mine, *harmless[place:]]
    report = decode_pack(json.dumps(pack).encode(), "loft", only=True)
    assert ("light", 4321.0) in [(one.quantity, one.value) for one in report.records]
