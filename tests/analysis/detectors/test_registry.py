"""The contract of the families: order, owners, declared needs; and a state's version follows its fields."""

from __future__ import annotations

from typing import Any, ClassVar

import msgspec
import pytest

from rushlight.analysis.alarms.rationale import RATIONALE
from rushlight.analysis.detectors.moment import Moment, Tank
from rushlight.analysis.detectors.registry import Family, in_order, owner_of
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.tank_watch import FAMILIES, TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.readings import Reading
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.saved import schema_version

SETTINGS = """
[[links]]
kind = "serial"
port = "loop://"
[tanks.alcove]
volume_litres = 54
timezone = "Europe/Oslo"
[tanks.alcove.water]
carbonate_hardness_dkh = 5.0
[tanks.alcove.livestock]
temperature_low_c = 20.0
temperature_high_c = 27.0
[tanks.alcove.heater]
setpoint_c = 24.0
[tanks.alcove.light]
on = "10:00"
off = "18:00"
[tanks.alcove.co2]
source = "yeast"
"""
BEGAN = 1_760_000_000_000
PLACES = {"probes", "lamp", "current", "heat", "gas"}


def family(title: str, needs: set[str], *, place: str = "", alarm: str = "") -> type[Family]:
    class Made(msgspec.Struct):
        name: ClassVar[str] = title
        alarms: ClassVar[frozenset[str]] = frozenset({alarm} if alarm else set())
        recalls: ClassVar[frozenset[str]] = frozenset()

        def update(self, tank: Tank, moment: Moment) -> list[Finding]:
            return []

        def recall(self, moment: Moment) -> None: ...

        def beliefs(self, tank: Tank, moment: Moment) -> dict[str, float | None]:
            return {}

    made: Any = Made
    made.needs, made.place = frozenset(needs), place or title
    return made  # type: ignore[no-any-return]


def test_a_family_judges_after_those_it_needs() -> None:
    last, middle, first = family("c", {"a", "b"}), family("b", {"a"}), family("a", set())
    assert [one.name for one in in_order([last, middle, first])] == ["a", "b", "c"]


@pytest.mark.parametrize(
    ("families", "words"),
    [
        ([family("a", {"b"}), family("b", {"a"})], "a, b need each other"),
        ([family("a", {"sun"})], "a needs 'sun', which no family provides"),
        ([family("a", set()), family("a", set(), place="other")], "two families have the name 'a'"),
        ([family("a", set()), family("b", set(), place="a")], "two families have the place 'a'"),
        ([family("a", set(), alarm="x"), family("b", set(), alarm="x")], "x belongs to a and to b"),
    ],
)
def test_a_contract_that_cannot_hold_is_refused(families: list[type[Family]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        in_order(families)


def test_each_alarm_has_one_family_but_silence_which_is_the_watch_s_own() -> None:
    assert set(owner_of(FAMILIES)) | {"device-silent"} == set(RATIONALE)


class _Guarded:
    """A moment that shows a family only what it has declared, and lets it write only its own place."""

    def __init__(self, moment: Moment, kind: type[Family]) -> None:
        allowed = kind.needs | {kind.place} | {f"{one}_before" for one in kind.recalls}
        object.__setattr__(self, "_moment", moment)
        object.__setattr__(self, "_place", kind.place)
        object.__setattr__(self, "_hidden", (PLACES | {"current_before", "doubts_before"}) - allowed)

    def __getattr__(self, name: str) -> Any:
        if name in self._hidden:
            raise AssertionError(f"reads {name!r} without declaring it")
        return getattr(self._moment, name)

    def __setattr__(self, name: str, value: object) -> None:
        if name != self._place:
            raise AssertionError(f"writes {name!r} over")
        setattr(self._moment, name, value)


def readings(days: float) -> list[Reading]:
    made = []
    for minute in range(int(days * 1440)):
        at, hour = BEGAN + minute * 60_000, minute / 60 % 24
        lit = 10 <= hour < 18
        for quantity, value in (
            ("temperature", 24.0 + 0.2 * (minute // 30 % 2) - (2.0 if minute > days * 1200 else 0.0)),
            ("ph", round(6.9 - (0.25 if lit else 0.0) - 0.01 * (minute % 2), 2)),
            ("light", 6000.0 if lit else 2.0),
            ("heater_power", 50.0 if minute // 15 % 2 else 0.0),
        ):
            made.append(Reading("alcove", quantity, at, value, 1))
    return made


@pytest.mark.parametrize("kind", FAMILIES, ids=lambda kind: kind.name)
def test_a_family_reads_and_writes_only_what_it_declares(
    kind: type[Family], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = kind.update
    asked = 0

    def guarded(self: Family, tank: Tank, moment: Moment) -> list[Finding]:
        nonlocal asked
        asked += 1
        held: Any = _Guarded(moment, kind)
        return real(self, tank, held)

    monkeypatch.setattr(kind, "update", guarded)
    watch = TankWatch("alcove", parse_settings(SETTINGS).tanks["alcove"])
    for reading in readings(3):
        watch.feed(reading)
    assert asked > 4000


def test_the_guard_sees_a_family_that_reads_what_it_has_not_declared(monkeypatch: pytest.MonkeyPatch) -> None:
    kind = next(one for one in FAMILIES if one.name == "heat")
    monkeypatch.setattr(kind, "needs", frozenset({"probes"}))
    with pytest.raises(AssertionError, match="reads 'lamp' without declaring it"):
        test_a_family_reads_and_writes_only_what_it_declares(kind, monkeypatch)


def test_the_version_of_a_state_follows_from_its_fields() -> None:
    class Deep(msgspec.Struct, frozen=True):
        size: float = 0.0

    def made(**fields: Any) -> int:
        return schema_version({"one": msgspec.defstruct("One", [(n, t, d) for n, (t, d) in fields.items()])})

    base = made(a=(int, 1), deep=(Deep, Deep()))
    assert base == made(a=(int, 1), deep=(Deep, Deep()))
    for other in (
        made(b=(int, 1), deep=(Deep, Deep())),
        made(a=(float, 1.0), deep=(Deep, Deep())),
        made(a=(int, 2), deep=(Deep, Deep())),
    ):
        assert other != base

    class Deeper(msgspec.Struct, frozen=True):
        size: float = 0.0
        more: int = 0

    # a field of a field, under the same name
    Deeper.__name__ = Deeper.__qualname__ = "Deep"
    assert made(a=(int, 1), deep=(Deeper, Deeper())) != base


def test_a_state_with_other_fields_is_not_taken_up_and_keeps_its_alarms() -> None:
    settings = parse_settings(SETTINGS).tanks["alcove"]
    watch = TankWatch("alcove", settings)
    for reading in readings(1):
        watch.feed(reading)
    blob = watch.snapshot()
    same = TankWatch("alcove", settings)
    same.restore(blob)
    assert (same.families, same.state) == (watch.families, watch.state)
    fewer = TankWatch("alcove", settings, [one for one in FAMILIES if one.name != "power"])
    with pytest.raises(StoreError, match="another version"):
        fewer.restore(blob)
    assert fewer.book.records() == watch.book.records() != {}
