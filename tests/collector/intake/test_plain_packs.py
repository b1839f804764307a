"""Plain packs are read a quick way: what they say is what the careful way makes of them (RFC 8428)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rushlight.collector.errors import WireError
from rushlight.collector.intake import reports, senml
from rushlight.collector.intake.batch import Arrival
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.reports import UNITS, Record, Report
from rushlight.collector.intake.senml import decode_pack
from rushlight.collector.intake.senml_plain import decode_plain
from rushlight.collector.readings import QUANTITIES
from tests.collector.intake.test_any_payload import NOW_MS, maker

SECONDS = 1_790_000_000
PLAIN = {"bn": "loft/", "bt": SECONDS + 0.25, "seq": 7, "n": "temperature", "u": "Cel", "v": 23.5}

# Nearly plain: one or two things of a plain pack are otherwise.
odd: dict[str, st.SearchStrategy[Any]] = {
    "bn": st.sampled_from(["loft/", "loft", "", "/", "attic/", "a b/", "loft//", "lo/ft/", "ä/", None]),
    "bt": st.sampled_from(
        [None, 0, -5, 2**28 - 1, 2**28, SECONDS, SECONDS + 0.0005, SECONDS + 0.2996, 2**43, 1e300, "x", True]
    ),
    "seq": st.sampled_from([None, 0, 1, -1, 2**53 - 1, 2**53, 2**70, 1.0, 1.5, True, "3"]),
    "n": st.sampled_from([*QUANTITIES, "loft/ph", "salinity", "", None, 3]),
    "u": st.sampled_from([*UNITS.values(), "K", "F", "", None]),
    "v": st.sampled_from([0, -0.0, 7, 1e308, -1e308, 10**400, 25.125, None, True, "7"]),
    "vs": st.sampled_from(["fault", None, ""]),
    "vb": st.sampled_from([True, None]),
    "t": st.sampled_from([0, -10, None, SECONDS]),
    "s": st.sampled_from([1.0, None]),
    "bu": st.sampled_from(["Cel", None]),
    "bv": st.sampled_from([0, 1, None]),
    "bver": st.sampled_from([5, 10, 11, None]),
    "colour": st.just("blue"),
    "must_": st.just(1),
}
change = st.sampled_from(sorted(odd)).flatmap(lambda label: st.tuples(st.just(label), odd[label]))
more = st.sampled_from(sorted(UNITS)).map(lambda name: {"n": name, "u": UNITS[name], "v": 6.5})
packs = st.tuples(
    st.lists(more, max_size=3),
    st.lists(st.tuples(st.integers(0, 3), change), max_size=3),
    st.booleans(),
)


def built(parts: tuple[list[dict[str, Any]], list[tuple[int, tuple[str, Any]]], bool]) -> bytes:
    rest, changes, dropped = parts
    records = [dict(PLAIN), *(dict(one) for one in rest)]
    for place, (label, value) in changes:
        record = records[place % len(records)]
        if dropped and label in record:
            del record[label]
        else:
            record[label] = value
    return json.dumps(records).encode()


def made(payload: bytes, tank: str, only: bool) -> object:
    try:
        report = decode_pack(payload, tank, only)
    except WireError as error:
        return error.kind, str(error)
    return repr((report.tank, report.seq, report.records)), [str(problem) for problem in report.problems]


@settings(max_examples=1500, deadline=None)
@given(parts=packs, tank=st.sampled_from(["loft", "attic", "", "a b"]), only=st.booleans())
def test_the_quick_way_finds_what_the_careful_one_finds(
    parts: tuple[list[dict[str, Any]], list[tuple[int, tuple[str, Any]]], bool], tank: str, only: bool
) -> None:
    payload = built(parts)
    quick = made(payload, tank, only)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(senml, "decode_plain", lambda payload, tank, only: None)
        assert made(payload, tank, only) == quick


@pytest.mark.parametrize(
    "text",
    [
        '[{"bn":"loft/","n":"ph","u":"pH","v":7,"v":6.5}]',  # a label twice
        '[{"bn":"loft/","n":"ph","u":"pH","v":6.5},{"n":"ph","u":"pH","v":6.6}]',  # a quantity twice
        '[{"bn":"loft/","n":"ph","u":"pH","v":1E400}]',
        '[{"bn":"loft/","n":"ph","u":"pH","v":NaN}]',
        ' [ {"bn":"loft/","n":"ph","u":"pH","v":6.5} ] ',
        '[{"bn":"loft/","n":"ph","u":"pH","v":6.5}] x',
        '[{"bn":"loft/","bt":1790000000.2996,"n":"ph","u":"pH","v":6.5}]',  # 0.6 of a millisecond
        '[{"bn":"loft/","bt":1790000000,"n":"ph","u":"pH","v":6.5},{"bt":1790000005,"n":"light","u":"lx","v":1}]',
        '[{"bn":"loft/","n":"ph","u":"pH","v":6.5},{"bn":"attic/","n":"light","u":"lx","v":1}]',
        '[{"bn":"loft/","n":"ph","u":"pH","v":6.5},{"n":"light","u":"lx","v":1,"seq":4}]',
        "[]",
        "[{}]",
    ],
)
def test_odd_texts_too(text: str) -> None:
    quick = made(text.encode(), "loft", True)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(senml, "decode_plain", lambda payload, tank, only: None)
        assert made(text.encode(), "loft", True) == quick


def test_what_boards_send_is_plain() -> None:
    """Else nothing would be gained. What is not: a probe's fault, an age, another unit, another tank."""
    payload = json.dumps([PLAIN, {"n": "ph", "u": "pH", "v": 6.8}, {"n": "light", "u": "lx", "v": 7400}])
    found = decode_plain(payload.encode(), "loft", True)
    assert isinstance(found, Report) and found.tank == "loft" and found.seq == 7
    assert [record.time_ms for record in found.records] == [SECONDS * 1000 + 250] * 3
    assert decode_plain(payload.encode(), "", False) == found  # on a serial line
    assert decode_plain(payload.encode(), "attic", False) is None
    without = {label: PLAIN[label] for label in ("bn", "n", "u", "v")}
    timeless = Report("loft", -1, [Record("temperature", 23.5)])
    assert decode_plain(json.dumps([without]).encode(), "loft", True) == timeless
    for odd_one in ({"vs": "fault"}, {"v": 1.0, "t": -5}, {"v": 296.65, "u": "K"}):
        assert decode_plain(json.dumps([without | odd_one]).encode(), "loft", True) is None


@pytest.mark.parametrize("topic", ["rushlight//readings", "rushlight/attic/readings"])
def test_who_publishes_for_one_tank_does_not_write_for_another(topic: str) -> None:
    """Also under a topic that names no tank at all, which `rushlight/+/readings` lets through."""
    payload = json.dumps([PLAIN]).encode()
    batch = maker().make([Arrival(0, Delivery("x", topic, payload, NOW_MS))])
    assert batch.readings == [] and batch.counts == {"bad.tank": 1, "set-aside": 1}


def test_long_names_do_not_stay_in_memory() -> None:
    """As long as a payload may be, and each another one."""
    reports._matches.cache_clear()
    assert not reports.can_be_tank("x" * 65) and reports._matches.cache_info().currsize == 0
    assert reports.can_be_tank("x" * 64) and not reports.can_be_tank("a b") and not reports.can_be_tank("")
    assert reports._matches.cache_info().maxsize == 4096
