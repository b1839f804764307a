"""Over an upgrade that changes what is saved, flags and repeats are judged as without it."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import msgspec
import pytest

from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.quality import SeriesState
from rushlight.collector.intake.quality_state import load_quality, save_quality
from rushlight.collector.intake.refusals import Refusal, load_refusals
from rushlight.collector.intake.timing import Stamper
from rushlight.collector.log import ClearLog
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.saved import pack, unpack
from rushlight.collector.store.settled_time import settled_ms

SETTINGS = """
[[links]]
kind = "mqtt"
[tanks.loft]
volume_litres = 20
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
BEGAN_MS = 1_772_330_400_000
MINUTE_MS = 60_000


class Intake:
    """A collector's intake on a real store; `restart` forgets the memory."""

    def __init__(self, path: Path) -> None:
        self.store = EmbeddedStore(path, synchronous="OFF")
        self.restart()

    def restart(self) -> None:
        log = ClearLog(logging.getLogger("rushlight.upgrade"), lambda: BEGAN_MS)
        self.maker = BatchMaker(parse_settings(SETTINGS), log)
        self.maker.restore(self.store)

    def give(self, seq: int, celsius: float) -> list[int]:
        """Flags of one report, each a minute after the other."""
        time_ms = BEGAN_MS + seq * MINUTE_MS
        record = {"bn": "loft/", "n": "temperature", "u": "Cel", "v": celsius, "seq": seq}
        payload = json.dumps([record | {"bt": time_ms / 1000}]).encode()
        delivery = Delivery("x", "rushlight/loft/readings", payload, time_ms)
        batch = self.maker.make([Arrival(0, delivery)])
        with self.store.transaction():
            batch.write(self.store)
        return [reading.flag for reading in batch.readings]


def of_another_version(store: EmbeddedStore) -> None:
    blob, _ = store.load_state("quality", "loft") or (b"", 0)
    version, states = msgspec.msgpack.decode(blob)
    store.save_state("quality", "loft", msgspec.msgpack.encode([version + 1, states]), None)
    head, _ = store.load_state("stamper", "loft") or (b"", 0)
    older = msgspec.msgpack.decode(head)
    older |= {"lost": 0, "boot_at": 0}  # it wrote defaults, too
    assert not {"paced", "paced_seq"} & older.keys()  # fields that came with this version
    store.save_state("stamper", "loft", msgspec.msgpack.encode(older), None)


@pytest.mark.parametrize("upgraded", [False, True])
def test_a_probe_that_is_stuck_is_seen_over_an_upgrade(upgraded: bool, tmp_path: Path) -> None:
    intake = Intake(tmp_path / "rushlight.db")
    for seq in range(11 * 60):  # the same value for eleven hours: suspect after twelve
        assert intake.give(seq, 22.44) == [1]
    if upgraded:
        of_another_version(intake.store)
    intake.restart()
    assert intake.give(660, 22.44) == [1]
    assert intake.give(659, 22.44) == []  # a repeat
    for seq in range(661, 721):
        last = intake.give(seq, 22.44)
    assert last == [3]
    assert intake.give(721, 23.1) == [1]  # its twin: one that moves is believed again
    assert len(list(intake.store.readings("loft", "temperature"))) == 722
    intake.store.close()


def test_what_was_learnt_is_said(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    intake = Intake(tmp_path / "rushlight.db")
    intake.give(0, 22.44)
    intake.restart()
    assert caplog.text == ""
    of_another_version(intake.store)
    intake.restart()
    said = "loft: the saved quality is another version's; learnt again from the stored readings"
    assert said in caplog.text
    intake.store.close()


def test_a_state_is_read_by_the_schema_that_wrote_it_alone() -> None:
    """`SeriesState` is saved without names, so a field in another place would be misread."""
    states = {"ph": SeriesState(7.0, 1, 7.1, 7.2, 2, 3, 0.5)}
    assert load_quality(save_quality(states)) == states
    other = msgspec.defstruct("Other", [("last_ms", int), ("last", float)], array_like=True)
    with pytest.raises(msgspec.ValidationError, match="another version's"):
        unpack("one", tuple[float, int], pack("one", other, other(1, 2.0)))


def test_report_numbers_with_an_unknown_field_are_not_misread() -> None:
    stamper = Stamper()
    ((kind, head),) = stamper.save()
    assert Stamper.load({kind: head}.get).state == stamper.state
    other = msgspec.msgpack.encode({**msgspec.msgpack.decode(head), "number": 4})
    with pytest.raises(msgspec.ValidationError, match="unknown field `number`"):
        Stamper.load({kind: other}.get)
    known = [Refusal("x", "t", "json", count=3)]
    assert load_refusals(msgspec.msgpack.encode(known)) == known
    renamed = [{"link": "x", "topic": "t", "sort": "json", "kind": "json"}]
    assert load_refusals(msgspec.msgpack.encode(renamed)) == []


def test_a_settled_time_of_another_version_is_found_anew(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        store.set_meta("settled-time", '{"moment": 5}')
        assert settled_ms(store, BEGAN_MS) == BEGAN_MS
