"""What was judged of the CO2 is kept in the store at the time, and stays what it was."""

from __future__ import annotations

from pathlib import Path

import pytest

from rushlight.analysis.detectors.gas.detector import CarbonDioxideDetector
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.watch.judged_gas import SLOT_MS, GasRange, judged_days, judged_gas
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.page_world import SETTINGS, quiet

HOUR, DAY = 3_600_000, 86_400_000
START = 1_772_323_200_000  # 2026-03-01T00:00Z
Whole = list[tuple[int, GasRange]]


class Service:
    """The analysis over a store, as the service has it."""

    def __init__(self, path: Path, now_ms: int) -> None:
        self.settings = parse_settings(SETTINGS, str(path.parent / "rushlight.toml"))
        self.store = EmbeddedStore(path, synchronous="OFF")
        self.now = now_ms
        self.live = LiveAnalysis(self.settings, make_notifier(self.settings, self._clock), self._clock)
        self.live.start(self.store, now_ms)
        self.seen: Whole = []

    def _clock(self) -> int:
        return self.now

    def take(self, until_ms: int, kept: bool = True) -> None:
        for reading in sorted(quiet("alcove", self.now, until_ms), key=lambda one: one.time_ms):
            self.live.take([reading], reading.time_ms)
            with self.store.transaction():
                self.store.add_readings([reading])
            judged = self.live.watches["alcove"].of(CarbonDioxideDetector).shown
            if judged is not None:
                gas = judged.gas
                self.seen.append((judged.time_ms, GasRange(gas.low, gas.mg_l, gas.mg_l, gas.high)))
        self.now = until_ms
        if kept:
            with self.store.transaction():
                self.live.keep(self.store, until_ms, True)
            self.live.kept(until_ms)

    def kept(self) -> Whole:
        return list(judged_gas(self.store, "alcove", START, START + 3 * DAY))


def by_slot(seen: Whole) -> Whole:
    """The plain way: every judgement of each quarter of an hour."""
    slots: dict[int, Whole] = {}
    for time_ms, gas in seen:
        slots.setdefault(time_ms // SLOT_MS * SLOT_MS, []).append((time_ms, gas))
    return [
        (
            at,
            GasRange(
                min(g.low for _, g in of),
                min(g.least for _, g in of),
                max(g.most for _, g in of),
                max(g.high for _, g in of),
            ),
        )
        for at, of in sorted(slots.items())
    ]


def test_it_is_the_range_of_what_was_judged(tmp_path: Path) -> None:
    service = Service(tmp_path / "rushlight.db", START + 20 * HOUR)
    for hour in (22, 26, 28):  # over midnight UTC
        service.take(START + hour * HOUR)
    kept, wanted = service.kept(), by_slot(service.seen)
    assert [at for at, _ in kept] == [at for at, _ in wanted] and len(kept) > 25
    for (_, found), (_, true) in zip(kept, wanted, strict=True):
        assert found == pytest.approx(true, abs=0.006)  # kept to a hundredth
    # a part of it, from one moment to before another
    part = list(judged_gas(service.store, "alcove", kept[3][0], kept[6][0]))
    assert part == kept[3:6]
    days = list(judged_days(service.store, "alcove", START, START + 3 * DAY))
    assert [at for at, _ in days] == [START, START + DAY]
    for at, whole in days:
        inside = [gas for moment, gas in kept if at <= moment < at + DAY]
        assert whole.low == min(gas.low for gas in inside) and whole.least == min(g.least for g in inside)
        assert whole.most == max(g.most for g in inside) and whole.high == max(g.high for g in inside)
    assert list(judged_gas(service.store, "stairs", START, START + 3 * DAY)) == []


def test_a_kill_loses_and_doubles_nothing(tmp_path: Path) -> None:
    whole = Service(tmp_path / "whole.db", START)
    whole.take(START + 6 * HOUR)
    whole.take(START + 9 * HOUR)
    first = Service(tmp_path / "rushlight.db", START)
    first.take(START + 6 * HOUR)
    first.take(START + 8 * HOUR, kept=False)  # stored readings, no snapshot behind them
    first.store.close()
    second = Service(tmp_path / "rushlight.db", START + 8 * HOUR)
    second.take(START + 9 * HOUR)
    assert second.kept() == whole.kept() and len(whole.kept()) > 20


def test_a_store_that_cannot_be_written_loses_none(tmp_path: Path) -> None:
    service = Service(tmp_path / "rushlight.db", START)
    service.take(START + 3 * HOUR, kept=False)
    with pytest.raises(RuntimeError), service.store.transaction():
        service.live.keep(service.store, service.now, True)
        raise RuntimeError("no room")
    assert service.kept() == []
    service.take(START + 4 * HOUR)
    assert [at for at, _ in service.kept()] == [at for at, _ in by_slot(service.seen)] != []


def test_what_another_version_wrote_is_left_out(tmp_path: Path) -> None:
    service = Service(tmp_path / "rushlight.db", START)
    service.take(START + 4 * HOUR)
    assert service.kept()
    service.store.save_state("judged-gas", "alcove/2026-03-01", b"\xc1", None)
    assert service.kept() == []


def test_a_day_of_one_tank_is_small(tmp_path: Path) -> None:
    service = Service(tmp_path / "rushlight.db", START)
    service.take(START + DAY)
    ((_, blob),) = service.store.states_from("judged-gas", "alcove/", "alcove/9")
    assert len(service.kept()) > 90 and len(blob) < 1_500
