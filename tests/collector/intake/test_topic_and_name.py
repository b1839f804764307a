"""A board that may publish for one tank can't write for another: topic and base name must agree."""

from __future__ import annotations

import json
import logging

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.collector.errors import WireError
from rushlight.collector.intake.batch import Arrival, Batch, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.senml import decode_pack
from rushlight.collector.log import ClearLog
from rushlight.collector.settings import parse_settings

SETTINGS = """
[[links]]
kind = "mqtt"
[tanks.porch]
volume_litres = 60
timezone = "UTC"
[tanks.porch.livestock]
temperature_low_c = 18
temperature_high_c = 26
[tanks.shed]
volume_litres = 20
timezone = "UTC"
[tanks.shed.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""
names = st.sampled_from(["porch", "shed", "", "loft", "po rch", "$SYS", "shed/x"])


def made(topic: str | None, *records: dict[str, object]) -> Batch:
    now_ms = 1_790_000_000_000
    maker = BatchMaker(parse_settings(SETTINGS), ClearLog(logging.getLogger("t"), lambda: now_ms))
    return maker.make([Arrival(0, Delivery("broker", topic, json.dumps(records).encode(), now_ms))])


def record(base: str | None, name: str, value: float) -> dict[str, object]:
    return ({} if base is None else {"bn": base}) | {"n": name, "v": value}


@pytest.mark.parametrize("forged", [record("porch/", "temperature", 9), record(None, "porch/temperature", 9)])
def test_a_board_cannot_write_for_another_tank(
    forged: dict[str, object], caplog: pytest.LogCaptureFixture
) -> None:
    batch = made("rushlight/shed/readings", forged)
    assert batch.readings == [] and len(batch.aside) == 1
    assert batch.counts == {"bad.tank": 1, "set-aside": 1}
    assert "is of another tank than its topic" in caplog.text and "make the base name 'shed/'" in caplog.text
    # the same on its own topic, and on a wire of its own, is taken
    for topic in ("rushlight/porch/readings", None):
        (reading,) = made(topic, forged).readings
        assert (reading.tank, reading.value) == ("porch", 9)


def test_what_is_good_for_its_own_tank_is_kept() -> None:
    own, forged = record("shed/", "temperature", 21), record("porch/", "temperature", 9)
    for records in ([own, forged], [forged, own]):
        batch = made("rushlight/shed/readings", *records)
        assert [(r.tank, r.value) for r in batch.readings] == [("shed", 21)]
        assert batch.counts == {"bad.tank": 1} and batch.aside == []


@given(names, st.lists(st.tuples(st.one_of(st.none(), names), names), min_size=1, max_size=4))
def test_whatever_the_names_only_the_topics_tank_is_written_for(
    topic: str, parts: list[tuple[str | None, str]]
) -> None:
    records = []
    for base, prefix in parts:
        name = f"{prefix}/temperature" if prefix else "temperature"
        records.append(record(base if base is None else f"{base}/", name, 21))
    try:
        report = decode_pack(json.dumps(records).encode(), topic, only=True)
    except WireError:
        return
    assert report.tank == topic and report.records
