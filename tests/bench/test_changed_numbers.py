"""The benches that change numbers: they must judge as a replay does, and notice what they say they notice."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.diagnosis import perturb
from bench.diagnosis.changed_number import change_from, text_of
from bench.diagnosis.changes import Change, changed, chosen, judged, scaled
from bench.diagnosis.recorded import events_by_frames, events_by_readings, record, recorded
from bench.diagnosis.scenarios import build
from bench.diagnosis.sensitivity import Baselines, baseline, row_of
from rushlight.analysis.detectors.probes.numbers import STILL

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A device that goes silent."""
    folder = tmp_path_factory.mktemp("silent")
    build(folder, "train", 40, 28, "device-silent")
    return folder


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pH electrode that is stuck."""
    folder = tmp_path_factory.mktemp("broken")
    build(folder, "train", 40, 26, "probe-fault")
    return folder


def test_events_by_frames_are_those_by_readings(silent: Path, broken: Path) -> None:
    for folder, alarm in ((silent, "device-silent"), (broken, "probe-fault")):
        by_readings = [msgspec.json.encode(event) for event in events_by_readings(folder)]
        assert [msgspec.json.encode(event) for event in events_by_frames(folder)] == by_readings
        assert any(alarm.encode() in event for event in by_readings)


def test_what_was_recorded_is_taken_again_until_the_readings_change(silent: Path, tmp_path: Path) -> None:
    for name in ("rushlight.toml", "readings.csv"):
        (tmp_path / name).write_bytes((silent / name).read_bytes())
    steps = recorded(tmp_path)
    assert steps == record(tmp_path)
    (kept,) = tmp_path.glob("frames-*.msgpack")
    stamp = kept.stat().st_mtime_ns
    assert recorded(tmp_path) == steps and kept.stat().st_mtime_ns == stamp
    lines = (tmp_path / "readings.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (tmp_path / "readings.csv").write_text("".join(lines[:2000]), encoding="utf-8")
    assert 0 < len(recorded(tmp_path)) < len(steps)
    assert len(list(tmp_path.glob("frames-*.msgpack"))) == 1


def test_a_clock_that_is_put_back_is_refused(silent: Path, tmp_path: Path) -> None:
    (tmp_path / "rushlight.toml").write_bytes((silent / "rushlight.toml").read_bytes())
    header, *rows = (silent / "readings.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (tmp_path / "readings.csv").write_text(header + "".join(rows[3000:6000] + rows[:3000]), encoding="utf-8")
    with pytest.raises(ValueError, match="its clock is put back"):
        record(tmp_path)


def test_a_number_that_matters_is_noticed_and_one_that_does_not_is_not(broken: Path) -> None:
    before = baseline(broken)
    assert before.judged.verdict is not None and before.judged.verdict["named"]
    assert "STILL.floor_ph_min" in before.read and "MIXING.close_c" not in before.read
    runs: Baselines = {broken: before}
    deaf = Change("STILL.floor_ph_min", 1e9)
    row = row_of(deaf, runs)
    assert row.matters and row.runs == 1 and row.gone > row.new and row.named == -1
    noticed = row_of(deaf, runs, first_only=True)
    assert noticed.matters and noticed.where.startswith("broken0: ")
    for first_only in (True, False):
        assert not row_of(Change("STILL.ice_c", 0.31), runs, first_only).matters
    assert judged(broken) == before.judged  # and it is back


@given(st.integers(1, 10**13) | st.floats(1e-6, 1e6), st.sampled_from([0.6, 0.7, 1.4, 1.5]))
def test_a_scaled_number_is_another_of_its_kind(value: float, factor: float) -> None:
    other = scaled(value, factor)
    assert other != value and (other > value) == (factor > 1)
    assert isinstance(other, int) == isinstance(value, int)
    assert change_from(text_of(Change("A.b", other))) == Change("A.b", other)


def test_a_change_lasts_as_long_as_it_is_wanted() -> None:
    was = STILL.dark_lx
    with pytest.raises(RuntimeError), changed(Change("STILL.dark_lx", 7.0)):
        assert STILL.dark_lx == 7.0
        raise RuntimeError
    assert STILL.dark_lx == was
    with pytest.raises(KeyError, match=r"STILL\.darkness"), changed(Change("STILL.darkness", 7.0)):
        pass
    with pytest.raises(ValueError, match="must be"):
        change_from("STILL.dark_lx")


def test_numbers_are_chosen_by_family_name_and_chance() -> None:
    probes = chosen(family="probes")
    assert ("STILL.dark_lx", STILL.dark_lx) in probes and len(probes) < len(chosen())
    assert chosen(number="STILL.dark") == [("STILL.dark_lx", STILL.dark_lx)]
    assert chosen(sample=5, seed=3) == chosen(sample=5, seed=3) != chosen(sample=5, seed=4)
    assert len({change.name for change in perturb.drawn(chosen(), 24, 1)}) == 24


def test_the_tests_of_a_family_come_first() -> None:
    own, wide = perturb.tests_of("probes"), perturb.tests_of("probes", wide=True)
    assert own == wide[: len(own)] and any("test_probes" in path for path in own)
    edges = [path.endswith("_limits.py") for path in own]  # those come first, whatever they are named by
    assert edges == sorted(edges, reverse=True) and sum("test_still_limits" in path for path in own) == 1
    assert len(set(wide)) == len(wide) == len(perturb.tests_of("heat", wide=True)) > len(own)
    assert all("/heat/" in path for path in perturb.tests_of("heat"))
    assert set(perturb.tests_of("no-such-family")) == set(wide)
    assert all((ROOT / path).exists() for path in wide)


def test_a_changed_number_is_caught_by_a_test_that_needs_it(tmp_path: Path) -> None:
    test = tmp_path / "test_dark.py"
    test.write_text(
        "from rushlight.analysis.detectors.probes.numbers import STILL\n"
        "def test_a_moonlit_room_is_dark():\n    assert STILL.dark_lx > 100\n",
        encoding="utf-8",
    )
    assert perturb.caught_by_tests(None, [str(test)]) == ""
    assert perturb.caught_by_tests(Change("STILL.dark_lx", 225.0), [str(test)]) == ""
    assert "test_a_moonlit_room_is_dark" in perturb.caught_by_tests(
        Change("STILL.dark_lx", 90.0), [str(test)]
    )


def test_a_test_that_repeats_the_table_catches_nothing(tmp_path: Path) -> None:
    lines = "from rushlight.analysis.detectors.probes.numbers import STILL\n"
    body = "    assert STILL.dark_lx == 150\n".replace("150", repr(STILL.dark_lx))
    test = tmp_path / "test_table.py"
    dark = Change("STILL.dark_lx", 90.0)
    test.write_text(lines + "def test_it_is_used():\n" + body, encoding="utf-8")
    assert "test_it_is_used" in perturb.caught_by_tests(dark, [str(test)])
    table = f"def test_no_number_{perturb.TABLES}():\n" + body
    test.write_text(lines + "def test_nothing():\n    pass\n" + table, encoding="utf-8")
    assert perturb.caught_by_tests(dark, [str(test)]) == ""
