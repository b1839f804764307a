"""An alarm explained from the store: words, curves, picture; and what each detector believed.

The scenario is the benchmark's, whose tank shares no code with `analysis/`; its truth is the reference.
"""

from __future__ import annotations

import csv
import json
import re
import struct
from datetime import datetime
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.diagnosis.scenarios import build
from rushlight.analysis.alarms.rationale import RATIONALE, equipment_of, rationale_for
from rushlight.analysis.commands.main import main
from rushlight.analysis.detectors.lamp.detector import LampDetector
from rushlight.analysis.explain.context import Context, parted
from rushlight.analysis.explain.curves import Band, Curve, Limit, Panel
from rushlight.analysis.explain.explanation import Explanation, explain, find_raised
from rushlight.analysis.explain.panels import panels_for
from rushlight.analysis.explain.png import draw_png
from rushlight.analysis.explain.terminal import HEIGHT, plot_lines
from rushlight.analysis.replay.around import moment_in
from rushlight.analysis.replay.beliefs import BELIEFS, Sample
from rushlight.analysis.replay.files import replay_files
from rushlight.analysis.replay.store import HOUR_MS, Recording, replay_store
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.readings import LIGHT, PH, QUANTITIES, TEMPERATURE
from rushlight.collector.settings import Settings, load_settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.exchange import import_csv

NOW = 4_000_000_000_000  # later than any reading
MINUTE = 60_000


class Case(NamedTuple):
    """A store with a fault in it, as after days of `rushlight run`."""

    folder: Path
    settings: Settings
    event: Event  # the fault's raising
    events: list[Event]
    onset_ms: int
    harm_ms: int

    @property
    def config(self) -> str:
        return str(self.folder / "rushlight.toml")

    @property
    def decided_ms(self) -> int:
        return milliseconds(self.event.time)


def milliseconds(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def make(folder: Path, kind: str, index: int) -> Case:
    truth = build(folder, "train", 77, index, kind)
    events: list[Event] = []
    replay_files(folder / "rushlight.toml", [folder / "readings.csv"], None, seen=events.append)
    settings = load_settings(folder / "rushlight.toml")
    with EmbeddedStore(settings.store_path(), synchronous="OFF") as store:
        import_csv(store, folder / "readings.csv")
        with store.transaction():
            for event in events:
                store.add_event(event)
    event = next(e for e in events if e.event == "raised" and e.alarm == kind)
    return Case(folder, settings, event, events, milliseconds(truth["onset"]), milliseconds(truth["harm"]))


@pytest.fixture(scope="module")
def gas(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return make(tmp_path_factory.mktemp("gas"), "co2-overdose", 2)


@pytest.fixture(scope="module")
def heater(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return make(tmp_path_factory.mktemp("heater"), "heater-not-heating", 2)


def explained(case: Case, **options: float) -> Explanation:
    with EmbeddedStore(case.settings.store_path(), read_only=True) as store:
        return explain(case.settings, store, store, case.event.occurrence, NOW, **options)  # type: ignore[arg-type]


def recorded(case: Case, thin_ms: int = 0) -> Recording:
    return _recorded(case.config, case.event.tank, case.decided_ms, thin_ms)


@cache
def _recorded(config: str, tank: str, decided_ms: int, thin_ms: int) -> Recording:
    settings = load_settings(config)
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        span = (decided_ms - 6 * HOUR_MS, decided_ms + HOUR_MS)
        return replay_store(settings, store, tank, *span, thin_ms=thin_ms)


# -- beliefs ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("thin_ms", [0, 55_000])
def test_the_store_gives_the_same_alarm_as_the_file(gas: Case, thin_ms: int) -> None:
    recording = recorded(gas, thin_ms)
    wanted = [(e.time, e.event, e.alarm) for e in gas.events]
    found = [(e.time, e.event, e.alarm) for e in recording.events]
    assert (gas.event.time, "raised", gas.event.alarm) in found
    if not thin_ms:
        begin, end = recording.from_ms, recording.to_ms
        assert found == [e for e in wanted if begin <= milliseconds(e[0]) < end]


def test_who_looks_on_changes_nothing(heater: Case) -> None:
    recording = recorded(heater)
    plain = TankWatch(heater.event.tank, heater.settings.tanks[heater.event.tank])
    with EmbeddedStore(heater.settings.store_path(), read_only=True) as store:
        again = replay_store(
            heater.settings, store, heater.event.tank, recording.to_ms - 1, recording.to_ms, warm_up_days=14.3
        )
    # nothing was noted on the way there, and the state is the same bit for bit
    assert again.watch.snapshot() == recording.watch.snapshot() != plain.snapshot()


def test_every_belief_is_there_when_its_probe_is(gas: Case, heater: Case) -> None:
    """Fails where a detector's state has lost what `rushlight.analysis.replay.beliefs` reads."""
    seen: set[str] = set()
    for case in (gas, heater):
        for sample in recorded(case).samples:
            seen |= sample.beliefs.keys()
            assert sample.beliefs.keys() <= BELIEFS.keys()
            assert all(isinstance(value, float) for value in sample.beliefs.values())
    rare = {"ph_stepped", "lamp_out_min"} | {f"doubts_{name}" for name in QUANTITIES}
    rare |= {name for name in BELIEFS if name.startswith("poured_in_")}  # tests/analysis/detectors/heat
    assert BELIEFS.keys() - rare <= seen


def test_beliefs_are_those_of_the_decision(gas: Case) -> None:
    decisive = next(s for s in recorded(gas).samples if "co2-overdose" in s.found)
    assert decisive.time_ms == gas.decided_ms
    # what the event says is what was believed, to the digit that is told
    said = re.search(
        r"pH ([\d.]+), about (\d+) mg/L CO2 \(likely (\d+) to (\d+)\)", gas.event.observations[0]
    )
    assert said is not None
    names = ("co2_mg_l", "co2_low_mg_l", "co2_high_mg_l")
    assert [round(decisive.beliefs[name]) for name in names] == [int(said[i]) for i in (2, 3, 4)]
    assert decisive.beliefs["co2_in_1_h_mg_l"] > decisive.beliefs["co2_mg_l"]


# -- panels -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("alarm", sorted(RATIONALE))
def test_every_alarm_has_a_curve_and_what_was_expected(alarm: str) -> None:
    settings = parse_settings(
        '[tanks.alcove]\nvolume_litres = 54\ntimezone = "Europe/Lisbon"\n'
        "[tanks.alcove.livestock]\ntemperature_low_c = 20\ntemperature_high_c = 26\n"
        "[tanks.alcove.water]\nph_low = 6.2\nph_high = 7.8\n[tanks.alcove.cooler]\nsetpoint_c = 25\n"
    )
    watch = TankWatch("alcove", settings.tanks["alcove"])
    lamp = watch.of(LampDetector)
    lamp.dimming.numbers = [9000.0, 7400.0, 0.18, 3.0]
    lamp.tracker.plateaus, lamp.tracker.plateau_days = [9000.0, 8500.0, 8000.0, 7400.0], [1, 2, 3, 4]
    figures = dict.fromkeys(BELIEFS, 1.0) | {"co2_mg_l": 20.0, "ph_usual": 6.8, "heater_holds_to_c": 25.0}
    seen = {TEMPERATURE: 24.0, PH: 6.7, LIGHT: 9000.0}
    samples = [Sample(i * MINUTE, (i + 1) * MINUTE, seen, figures, ()) for i in range(120)]
    quantity = PH if alarm in ("probe-fault", "setting-doubtful") else ""
    panels = panels_for(Context(alarm, quantity, 90 * MINUTE, samples, [], watch))
    assert panels
    roles = {curve.role for panel in panels for curve in panel.curves}
    assert {"measured", "expected"} <= roles or panels[0].limits or panels[0].bands
    assert all(panel.curves for panel in panels)


def test_the_water_cools_as_the_model_said_it_would_unheated(heater: Case) -> None:
    """The reference is the fault's own tank (simulator/heat.py), which cools by Newton's law."""
    panel = explained(heater).panels[0]
    assert panel.title == "water temperature" and [band.name for band in panel.bands] == [
        "what the heater holds"
    ]
    curves = {curve.name: dict(curve.points) for curve in panel.curves}
    measured, unheated = curves["measured"], curves["with the heater off"]
    last_ms = max(unheated.keys() & measured.keys())
    fallen = panel.bands[0].points[0][1] - measured[last_ms]
    assert fallen > 0.3
    assert abs(unheated[last_ms] - measured[last_ms]) < 0.5 * fallen


def test_the_limit_is_crossed_near_where_it_was_seen_coming(gas: Case) -> None:
    explanation = explained(gas)
    curves = {curve.role: curve.points for curve in explanation.panels[0].curves}
    limit = explanation.panels[0].limits[0].value
    forecast = curves["forecast"]
    assert forecast[0][0] == explanation.decided_ms
    assert forecast[-1][0] - forecast[0][0] == HOUR_MS and forecast[-1][1] > limit
    assert explanation.from_ms < gas.onset_ms < explanation.decided_ms < explanation.to_ms


@given(st.lists(st.tuples(st.integers(0, 10**8), st.floats(-1e6, 1e6)), max_size=60), st.integers(1, 10**7))
def test_parted_loses_nothing(points: list[tuple[int, float]], gap_ms: int) -> None:
    points.sort()
    parts = parted(points, gap_ms)
    assert [point for part in parts for point in part] == points
    assert all(b[0] - a[0] <= gap_ms for part in parts for a, b in pairwise(part))
    assert all(two[0][0] - one[-1][0] > gap_ms for one, two in pairwise(parts))


values = st.floats(-1e5, 1e5, allow_subnormal=False)
times = st.integers(0, 14 * HOUR_MS)


@given(
    st.lists(st.tuples(times, values), min_size=1, max_size=80),
    st.sampled_from(["measured", "flagged", "expected", "forecast"]),
    st.booleans(),
    st.lists(values, max_size=2),
    st.lists(st.tuples(times, values, values), max_size=5),
    st.integers(0, 14 * HOUR_MS - 1),
    st.integers(20, 120),
)
def test_any_panel_can_be_drawn_with_characters(
    points: list[tuple[int, float]],
    role: str,
    step: bool,
    limits: list[float],
    band: list[tuple[int, float, float]],
    decided_ms: int,
    width: int,
) -> None:
    points.sort()
    panel = Panel(
        "any",
        "°C",
        1,
        [Curve("one", role, points, step)],  # type: ignore[arg-type]
        [Band("band", [(t, min(a, b), max(a, b)) for t, a, b in band])],
        [Limit("limit", value) for value in limits],
    )
    low, high = panel.span()
    assert low < high
    if role != "forecast":
        assert all(low <= value <= high for _, value in points)
    explanation = Explanation(
        event=Event(
            time="1970-01-01T00:00:00Z", tank="a", alarm="x", event="raised", priority="low", summary="",
            detail="", cautions=[],
        ),
        title="A", timezone="Europe/Lisbon", from_ms=0, to_ms=14 * HOUR_MS, decided_ms=decided_ms,
        over_ms=None, panels=[panel], gaps=[],
    )  # fmt: skip
    lines = list(plot_lines(explanation, panel, width))
    plot = [line.partition(" │")[2] for line in lines[1 : 1 + HEIGHT]]
    assert all(len(line) <= width for line in plot)
    if role == "measured":
        assert any("•" in line for line in plot)
    assert "raised" in lines[HEIGHT + 3]


# -- commands ---------------------------------------------------------------------------------------------


def test_explain_in_the_terminal(gas: Case, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "--config", gas.config, f"{gas.event.tank}/co2-overdose"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(gas.event.summary)
    assert gas.event.occurrence in out
    flat = " ".join(out.split())
    for text in gas.event.observations:
        assert text in flat
    has = equipment_of(gas.settings.tanks[gas.event.tank])
    for step in rationale_for("co2-overdose", has).lines:
        assert step in flat
    assert RATIONALE["co2-overdose"].rule_out in flat and "unplug at the wall first" in flat
    zone = ZoneInfo(gas.settings.tanks[gas.event.tank].timezone)
    local = datetime.fromtimestamp(gas.decided_ms / 1000, zone)
    assert f"raised {local:%H:%M}" in out
    for mark in (
        "• estimated from pH",
        "> if it went on like that",
        "the livestock's limit",
        "usual at this time",
    ):
        assert mark in flat
    assert max(len(line) for line in out.splitlines()) <= 110


def test_explain_says_which_alarms_there_are(gas: Case, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "--config", gas.config, "nowhere/co2-overdose"]) == 1
    error = capsys.readouterr().err
    assert "there is no alarm 'nowhere/co2-overdose'" in error and gas.event.tank in error


def test_explain_of_a_reading_that_is_gone(gas: Case, tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "empty.db") as store:
        store.add_event(gas.event)
        assert find_raised(store, gas.event.occurrence)[0].alarm == "co2-overdose"
        with pytest.raises(StoreError, match="no readings"):
            explain(gas.settings, store, store, gas.event.occurrence, NOW)


def png_size(data: bytes) -> tuple[int, int]:
    """PNG specification (ISO/IEC 15948), 5.2 signature and 11.2.2 IHDR."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n" and data[12:16] == b"IHDR" and data[-8:-4] == b"IEND"
    width, height = struct.unpack(">II", data[16:24])
    return width, height


def test_explain_as_a_picture(gas: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "why.png"
    assert main(["explain", "--config", gas.config, "--png", str(path), gas.event.occurrence]) == 0
    assert str(path) in capsys.readouterr().out
    width, height = png_size(path.read_bytes())
    assert width == 880 and 600 < height < 1500
    assert [p.name for p in tmp_path.iterdir()] == ["why.png"]
    assert main(["explain", "--config", gas.config, "--png", "/nowhere/x.png", gas.event.occurrence]) == 1
    assert "/nowhere/x.png: can't be written" in capsys.readouterr().err


def test_a_picture_without_curves_is_one_too(gas: Case, tmp_path: Path) -> None:
    explanation = explained(gas)
    explanation.panels = []
    draw_png(explanation, tmp_path / "bare.png")
    assert png_size((tmp_path / "bare.png").read_bytes())[0] == 880


def test_replay_of_the_own_store(gas: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    events, beliefs = tmp_path / "events.jsonl", tmp_path / "beliefs.csv"
    common = ["replay", "--config", gas.config, "--store", "--around", gas.event.time, "--hours", "3"]
    assert main([*common, "--tank", gas.event.tank, "--events", str(events), "--beliefs", str(beliefs)]) == 0
    out = capsys.readouterr().out
    assert gas.event.summary in out and "carbon dioxide:" in out and "heat:" in out
    assert re.search(r"in 1 h mg/L.*found\n", out)
    written = [json.loads(line) for line in events.read_text().splitlines()]
    assert (gas.event.time, "raised", "co2-overdose") in [
        (e["time"], e["event"], e["alarm"]) for e in written
    ]
    with beliefs.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 300 and set(BELIEFS) | set(QUANTITIES) | {"time", "tank", "found"} == set(rows[0])
    (decisive,) = [row for row in rows if row["time"] == gas.event.time]
    assert decisive["found"] == "co2-overdose" and float(decisive["co2_mg_l"]) > 5
    # thinned: one line a quarter-hour or so, though every minute is in the file
    assert out.count("\n") < 120


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["--store"], 2, "--around"),
        (["--store", "--around", "yesterday"], 2, "no moment"),
        (["--store", "--around", "2026-03-01T02:14:10Z", "a.csv"], 2, "neither files"),
        (["--store", "--around", "2026-03-01T02:14:10Z", "--tank", "nowhere"], 2, "no tank 'nowhere'"),
        (["--store", "--around", "2001-03-01T02:14:10Z"], 1, "no readings"),
        (["--tank", "x", "a.csv"], 2, "go with --store"),
        ([], 2, "READINGS.csv"),
    ],
)
def test_replay_says_what_to_do(
    gas: Case, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int, words: str
) -> None:
    assert main(["replay", "--config", gas.config, *arguments]) == status
    assert words in capsys.readouterr().err


def test_a_moment_without_offset_is_by_the_tanks_clock() -> None:
    # UTC+1 before and UTC+2 after 2026-03-29 in Berlin (IANA time zone data)
    assert moment_in("2026-03-28 12:00", "Europe/Berlin") == milliseconds("2026-03-28T11:00:00Z")
    assert moment_in("2026-03-30 12:00", "Europe/Berlin") == milliseconds("2026-03-30T10:00:00Z")
    assert moment_in("2026-03-30T12:00:00Z", "Europe/Berlin") == milliseconds("2026-03-30T12:00:00Z")
