"""`rushlight calibrate`: buffers by their temperature, a steady reading, kept, applied by time, undone.

Buffers: Buck et al. 2002 (tests/references/electrode.json; phthalate against Hetzer et al. 1977, seen). The
electrode's slope is the published Nernst slope, not our formula.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from rushlight.analysis.calibration import session
from rushlight.analysis.calibration.history import history_lines, slope_forecast
from rushlight.analysis.calibration.steady import Steady
from rushlight.analysis.commands.main import main
from rushlight.analysis.physics.buffers import buffer_ph
from rushlight.analysis.views.electrode_drift import calibration_due, due_words
from rushlight.analysis.views.status import status_lines
from rushlight.collector.errors import LogError
from rushlight.collector.intake.flagging import Intake
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import CalibrationPoint, load_settings, parse_settings
from rushlight.collector.store.calibration import LEAD_MS, Calibration, TankCalibrations
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.in_hand import in_hand
from rushlight.collector.store.log_entry import LogEntry
from rushlight.collector.store.recalibrated import Recalibrated, calibrations_of
from rushlight.simulator.microcontroller import Firmware, PtyLine

MINUTE, DAY = 60_000, 86_400_000
NOW = 1_768_435_200_000  # 2026-01-15T00:00Z
REFERENCES = {
    one["id"]: one["value"]
    for one in json.loads((Path(__file__).parents[2] / "references" / "electrode.json").read_text("utf-8"))[
        "entries"
    ]
}
SLOPE_25 = REFERENCES["ph.nernst_slope_mv"]["25"]
TOML = """
[tanks.cellar]
volume_litres = 60
timezone = "Europe/Lisbon"
[tanks.cellar.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "rushlight.toml").write_text(TOML, "utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("rushlight.collector.service.listener.system_clock", lambda: NOW)
    with EmbeddedStore(tmp_path / "rushlight.db") as store:
        store.add_readings([Reading("cellar", "ph_probe", NOW - MINUTE, 3.0, 1, 0)])
    return tmp_path


def calibrate(*words: str) -> int:
    return main(["calibrate", "cellar", *words])


def points(slope_percent: float = 100.0, offset_mv: float = 0.0) -> tuple[CalibrationPoint, ...]:
    return tuple(
        CalibrationPoint(ph=ph, mv=offset_mv - slope_percent / 100 * SLOPE_25 * (ph - 7)) for ph in (7.0, 4.0)
    )


def electrode_entry(at_ms: int, slope: float = 100.0, offset_mv: float = 0.0) -> LogEntry:
    found = Calibration(quantity="ph_probe", points=points(slope, offset_mv))
    return LogEntry(tank="cellar", time_ms=at_ms, calibration=found, done=("calibrated",))


@pytest.mark.parametrize(
    ("name", "row"), [("4.01", "phthalate_0_05m"), ("6.86", "phosphate_0_025m"), ("9.18", "borax_0_01m")]
)
def test_buffers_at_the_published_temperatures(name: str, row: str) -> None:
    table = REFERENCES["ph.buffers"]
    for celsius, ph in zip(table["t_c"], table[row], strict=True):
        assert buffer_ph(name, celsius)[0] == pytest.approx(ph, abs=1e-9)
    if name == "4.01":
        for celsius, ph in zip(table["t_c"], REFERENCES["ph.phthalate_formulas"]["hetzer_1977"], strict=True):
            assert buffer_ph(name, celsius)[0] == pytest.approx(ph, abs=0.007)


def test_a_buffer_that_is_unknown_too_cold_or_none() -> None:
    assert buffer_ph("7.2", 3.0)[0] == 7.2
    for name, celsius in (("7.00", 2.0), ("17", 25.0), ("seven", 25.0)):
        with pytest.raises(ValueError, match="buffer"):
            buffer_ph(name, celsius)


def test_a_reading_is_steady_when_it_no_longer_creeps() -> None:
    # common practice, no source: half a millivolt in 45 s
    creeping, still = Steady("ph_probe"), Steady("ph_probe")
    said = [
        (
            creeping.take(Reading("cellar", "ph_probe", NOW + i * 5000, 100 + i * 0.3)),
            still.take(Reading("cellar", "ph_probe", NOW + i * 5000, 100 + 0.2 * (i % 2))),
        )
        for i in range(40)
    ]
    assert all(one is None for one, _ in said)
    assert [two for _, two in said][-1] == pytest.approx(100.1, abs=0.03)
    assert all(two is None for _, two in said[:9])  # not before 45 s


def test_reports_that_come_seldom_are_enough_and_creep_is_still_seen() -> None:
    for step in (16_000, 60_000, 300_000):
        still, creeping = Steady("temperature"), Steady("temperature")
        for i in range(4):
            found = still.take(Reading("cellar", "temperature", NOW + i * step, 0.2 + 0.01 * (i % 2)))
            crept = creeping.take(Reading("cellar", "temperature", NOW + i * step, 2.0 - 0.1 * i))
            assert crept is None and (found is None) == (i < 3), (step, i)
        assert found == pytest.approx(0.205)


class _Reports(list[Reading | None]):
    def skip(self) -> None:
        pass


def test_a_thermometer_in_ice_leads_to_hands_and_says_how(home: Path) -> None:
    said: list[str] = []
    with EmbeddedStore("rushlight.db") as store:
        readings = _Reports(Reading("cellar", "temperature", NOW + i * 10_000, 0.4) for i in range(9))
        found = session.calibrated_level(
            store, "cellar", "temperature", 0.0, "an ice bath", readings,  # type: ignore[arg-type]
            session.Person(said.append, said.append, lambda text: 22.0), TankCalibrations([]), NOW,
        )  # fmt: skip
        assert found.offset == -0.4
        assert "unplug at the wall" in said[0] and "Put the probe into the ice" in said[1]
        seldom = _Reports([Reading("cellar", "temperature", NOW, 0.4)])
        with pytest.raises(LogError, match="only 1 readings of the"):
            session.calibrated_level(
                store, "cellar", "temperature", 0.0, "an ice bath", seldom,  # type: ignore[arg-type]
                session.Person(said.append, said.append, lambda text: 22.0), TankCalibrations([]), NOW,
            )  # fmt: skip


def test_the_last_buffer_is_no_water_either(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three buffers, each after 14 minutes: the half hour in hand begins anew with each."""
    passed, until = [0.0], []
    monkeypatch.setattr("rushlight.analysis.calibration.session.time.monotonic", lambda: passed[0])
    with EmbeddedStore("rushlight.db") as store:

        def ready(text: str) -> None:
            until.append(in_hand(store)["cellar"]["ph_probe"][1] - NOW - round(passed[0] * 1000))
            passed[0] += 14 * 60
            level = (
                3.0 - SLOPE_25 * (float(text.split("buffer ")[1].split()[0]) - 7) if "buffer" in text else 0
            )
            readings[:] = [Reading("cellar", "ph_probe", NOW + i * 10_000, level) for i in range(9)]

        readings = _Reports()
        found = session.calibrated_electrode(
            store, "cellar", ("7.00", "4.00", "10.00"), readings,  # type: ignore[arg-type]
            session.Person(lambda text: None, ready, lambda text: 25.0), NOW, 25.0,
        )  # fmt: skip
        assert len(found.points) == 3 and until[:3] == [30 * MINUTE] * 3 and in_hand(store) == {}
        until.clear()
        with pytest.raises(LogError, match="'ten' is no buffer"):  # before the electrode is taken out
            session.calibrated_electrode(
                store, "cellar", ("7.00", "ten"), readings,  # type: ignore[arg-type]
                session.Person(lambda text: None, ready, lambda text: 25.0), NOW, 25.0,
            )  # fmt: skip
        assert until == []


def test_typed_points_are_kept_shown_and_undone(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with EmbeddedStore("rushlight.db") as store:
        store.add_log(electrode_entry(NOW - 60 * DAY, 99.0), "me", NOW)
        store.add_log(electrode_entry(NOW - 30 * DAY, 96.0), "me", NOW)
    assert calibrate("ph", "--point", "7.00=2.0", "--point", "4.00=166.5", "--celsius", "25") == 0
    out = capsys.readouterr().out
    # (166.5 - 2.0) / (3 * 59.159) = 92.7 %
    assert "slope 92.7 % of Nernst, +2 mV at pH 7: ageing" in out
    assert "due again in 31 days" in out
    assert calibrate("--history") == 0
    out = capsys.readouterr().out
    assert out.count("calibrated the pH electrode") == 3 and "have a new one by then" in out
    assert calibrate("--undo", "3") == 0
    assert calibrate("--history") == 0
    assert capsys.readouterr().out.count("calibrated the pH electrode (") == 3  # two left, and the one undone


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("ph", "--point", "7.00=2", "--point", "4.00=-170", "--celsius", "25"), "must fall as pH rises"),
        (("ph", "--point", "7.00=2", "--point", "4.00=170"), "--celsius"),
        (("ph", "--point", "7.00=x", "--celsius", "25"), "millivolts"),
        (("ph",), "--buffer"),
        # buffers 7.00 and 10.00 taken for 4.00 and 7.00; 4.00 taken for 7.00; 10.00 for 7.00
        (("ph", "--point", "4.00=2", "--point", "7.00=-174", "--celsius", "25"), "another buffer"),
        (("ph", "--point", "7.00=178", "--celsius", "25"), "another buffer"),
        (("ph", "--point", "4.00=178", "--point", "7.00=-174", "--celsius", "25"), "another buffer"),
        (("temperature", "--reference", "24", "--value", "12"), "broken probe"),
        (("temperature", "--ice", "--reference", "24"), "--reference VALUE"),
        # an option that would be passed over is a slip
        (("ph", "--buffer", "7.00", "--ice"), "--ice goes with temperature, not with ph"),
        (("ph", "--buffer", "7.00", "--reference", "7"), "--reference goes with temperature or light"),
        (("ph", "--point", "7.00=2", "--celsius", "25", "--value", "7"), "--value goes with"),
        (("ph", "--buffer", "7.00", "--at", "18:30"), "--at goes with --point"),
        (("temperature", "--ice", "--celsius", "20"), "--celsius goes with ph"),
        (("temperature", "--ice", "--buffer", "7.00"), "--buffer goes with ph"),
        (("light", "--ice", "--reference", "7400"), "--ice goes with temperature"),
        (("light", "--reference", "nan", "--value", "7000"), "--reference"),
        (("temperature", "--reference", "75", "--value", "24.1"), "did you mean 75 °F"),
        (("ph", "--point", "7.00=2", "--celsius", "72"), "did you mean 72 °F"),
        (("--history", "--ice"), "go alone"),
        (("--undo", "1", "--value", "3"), "go alone"),
    ],
)
def test_what_can_not_be_right_is_refused_and_nothing_kept(
    home: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert calibrate(*words) == 2
    assert said in capsys.readouterr().err
    with EmbeddedStore("rushlight.db", read_only=True) as store:
        assert store.log("cellar") == []


def test_a_reference_in_the_keepers_own_units(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "rushlight.toml").write_text('[display]\nunits = "us"\n' + TOML, "utf-8")
    assert calibrate("temperature", "--reference", "75.2", "--value", "74.3") == 0
    # 75.2 °F is 24.0 °C, 74.3 °F is 23.5 °C
    with EmbeddedStore("rushlight.db", read_only=True) as store:
        (entry,) = store.log("cellar")
    assert entry.calibration is not None and entry.calibration.offset == pytest.approx(0.5)
    assert calibrate("ph", "--point", "7.00=2.0", "--celsius", "77 F") == 0
    with EmbeddedStore("rushlight.db", read_only=True) as store:
        assert store.log("cellar")[-1].calibration.points[0].temperature_c == 25.0  # type: ignore[union-attr]


def test_a_device_that_sends_finished_ph_is_calibrated_there(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "rushlight.db").unlink()
    with EmbeddedStore("rushlight.db") as store:
        store.add_readings([Reading("cellar", "ph", NOW, 7.0, 1, 0)])
    assert calibrate("ph", "--buffer", "7.00") == 2
    assert "calibrated on the device" in capsys.readouterr().err


def test_ph_is_had_again_by_the_calibration_of_its_time(home: Path) -> None:
    """7.0 at 0 mV, and with an offset of +30 mV at 25 °C half a pH more: 30 / 59.159 = 0.507."""
    settings = load_settings(home / "rushlight.toml")
    intake = Intake(settings)
    with EmbeddedStore("rushlight.db") as store:
        for i in range(60):
            at = NOW + i * MINUTE
            rows = [
                Reading("cellar", "temperature", at, 25.0, seq=i),
                Reading("cellar", "ph_probe", at, 0.0, seq=i),
            ]
            store.add_readings(intake.take_all(rows))
        store.add_log(electrode_entry(NOW + 30 * MINUTE, offset_mv=30.0), "me", NOW + 90 * MINUTE)

        def ph() -> list[float | None]:
            seen = Recalibrated(store, calibrations_of(store, settings.tanks))
            return [r.value for r in seen.readings("cellar", "ph", NOW)]

        assert ph()[:30] == [7.0] * 30 and ph()[30:] == pytest.approx([7.507] * 30, abs=1e-3)
        store.undo_log("cellar", 1, NOW + 91 * MINUTE)
        assert ph() == [7.0] * 60


def test_a_corrected_temperature_can_be_taken_back_exactly(home: Path) -> None:
    settings = load_settings(home / "rushlight.toml")
    intake = Intake(settings)
    with EmbeddedStore("rushlight.db") as store:
        found = Calibration(quantity="temperature", offset=-0.37)
        store.add_log(LogEntry(tank="cellar", time_ms=NOW, calibration=found), "me", NOW)
        intake.calibrate(calibrations_of(store, settings.tanks), {})
        given = [24.0 + i / 7 for i in range(20)]
        for i, value in enumerate(given):
            rows = [Reading("cellar", "temperature", NOW + i * LEAD_MS // 5, value, seq=i)]
            store.add_readings(intake.take_all(rows))
        stored = [r.value for r in store.readings("cellar", "temperature")]
        assert stored == given[:5] + [value - 0.37 for value in given[5:]]

        def now() -> list[float | None]:
            seen = Recalibrated(store, calibrations_of(store, settings.tanks))
            return [r.value for r in seen.readings("cellar", "temperature")]

        assert now() == pytest.approx([value - 0.37 for value in given])  # from the calibration's time on
        store.undo_log("cellar", 1, NOW + DAY)
        assert now() == pytest.approx(given)


def test_a_probe_in_hand_is_kept_and_not_judged(home: Path) -> None:
    intake = Intake(load_settings(home / "rushlight.toml"))
    reading = Reading("cellar", "ph_probe", NOW, 170.0)
    assert [r.flag for r in intake.take(reading)] == [Flag.PASS, Flag.PASS]
    intake.calibrate({}, {"cellar": {"ph_probe": (NOW, NOW + MINUTE)}})
    # what the board had kept from before is the tank's water
    kept = intake.take(Reading("cellar", "ph_probe", NOW - 1, 170.0))
    assert [r.flag for r in kept] == [Flag.PASS, Flag.PASS]
    held = intake.take(Reading("cellar", "ph_probe", NOW + 1000, -170.0))
    assert [(r.value, r.flag) for r in held] == [(-170.0, Flag.FAIL), (None, Flag.FAIL)]
    after = intake.take(Reading("cellar", "ph_probe", NOW + MINUTE, 170.0))
    assert [r.flag for r in after] == [Flag.PASS, Flag.PASS]


def test_the_trend_of_the_slope_says_when_it_is_worn() -> None:
    # 1 % in 30 days: from 94 to 85 % in 270 days, 8.9 months
    falling = [electrode_entry(NOW + i * 30 * DAY, 96.0 - i) for i in range(3)]
    slope, month, months = slope_forecast(falling) or (0, 0, 0)
    assert (slope, month, months) == pytest.approx((94.0, -1.0146, 8.87), abs=0.01)
    assert slope_forecast(falling[:2]) is None
    level = slope_forecast([electrode_entry(NOW + i * 30 * DAY, 96.0) for i in range(3)])
    assert level is not None and level[2] is None
    tank = parse_settings(TOML).tanks["cellar"]
    assert "due now" in " ".join(history_lines(tank, falling, NOW + 92 * DAY))


def test_an_electrode_that_drifts_is_due_sooner(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """5.9159 mV are 0.1 pH (Nernst slope at 25 °C): in 20 days, so 20 days are as long as it keeps."""
    tank = parse_settings(TOML).tanks["cellar"]
    for step, interval in ((SLOPE_25 / 10, 20), (SLOPE_25, 7), (SLOPE_25 / 100, 31)):
        drifting = [electrode_entry(NOW + i * 20 * DAY, 98.0, i * step) for i in range(3)]
        last = NOW + 40 * DAY
        due = calibration_due(drifting, last + 5 * DAY)
        assert due is not None and due.left_days == interval - 5, step
        assert due.drift_a_day == pytest.approx(step / SLOPE_25 / 20, rel=1e-4)
        assert due_words(drifting, last + (interval - 1) * DAY) == ""
        assert "calibrate it again" in due_words(drifting, last + interval * DAY)
    assert "It drifts by 1.55 pH a month" in " ".join(
        history_lines(tank, [electrode_entry(NOW + i * 20 * DAY, 98.0, i * SLOPE_25) for i in range(3)], NOW)
    )
    assert calibration_due([], NOW) is None
    alone = calibration_due([electrode_entry(NOW, 98.0)], NOW)
    assert alone is not None and alone == (31, None)
    # status says it, where the calibration is not a month old yet
    with EmbeddedStore("rushlight.db") as store:
        store.add_readings(
            [
                Reading("cellar", name, NOW - MINUTE // 2, v, 1, 5)
                for name, v in (("ph", 7.0), ("ph_probe", 3.0))
            ]
        )
        for days, offset in ((60, 0.0), (40, SLOPE_25 / 5), (20, 2 * SLOPE_25 / 5)):
            store.add_log(electrode_entry(NOW - days * DAY, 98.0, offset), "me", NOW)
        known = (
            "[tanks.cellar.ph_calibration]\ncalibrated = 2026-01-05\n"
            "points = [{ ph = 7.0, mv = 0.0 }, { ph = 4.0, mv = 175.0 }]\n"
        )
        lines = status_lines(parse_settings(TOML + known), store, NOW)
        text = "\n".join(line.plain for line in lines)
    assert "drifts by 0.31 pH a month" in text


def test_live_over_a_serial_line_in_two_buffers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pseudo-terminal for the serial line; the device's clock runs fast, so that a minute is a moment."""
    monkeypatch.chdir(tmp_path)
    with closing(PtyLine()) as line:
        (tmp_path / "rushlight.toml").write_text(
            f'[[links]]\nkind = "serial"\nport = "{line.port}"\n' + TOML, "utf-8"
        )
        EmbeddedStore("rushlight.db").close()
        stop, firmware, level = threading.Event(), Firmware("cellar"), [0.0]

        def device() -> None:
            line.wait_for_reader(stop)
            at = round(time.time() * 1000) - 3_600_000
            drift = 20.0
            while not stop.wait(0.02):
                at, drift = at + 5000, drift * 0.8
                line.write(firmware.line(at, [("temperature", 22.0), ("ph_probe", level[0] + drift)]), stop)

        held = []

        def ready(text: str) -> None:
            with EmbeddedStore("rushlight.db", read_only=True) as store:
                held.append("ph_probe" in in_hand(store).get("cellar", {}))
            level[0] = 172.0 if "4.00" in text else 2.0

        monkeypatch.setattr("rushlight.analysis.commands.calibrate.click.prompt", lambda *a, **k: ready(a[0]))
        thread = threading.Thread(target=device)
        thread.start()
        try:
            assert calibrate("ph", "--buffer", "7.00", "--buffer", "4.00", "--celsius", "25") == 0
        finally:
            stop.set()
            thread.join()
    out = capsys.readouterr().out
    assert "Waiting for a steady reading" in out and "unplug at the wall" in out
    # (172 - 2) / (3 * 59.159) = 95.8 %
    slope = re.search(r"slope ([\d.]+) % of Nernst, \+2 mV at pH 7: good", out)
    assert slope is not None and float(slope[1]) == pytest.approx(95.8, abs=0.2)
    with EmbeddedStore("rushlight.db", read_only=True) as store:
        (entry,) = store.log("cellar")
        assert entry.done == ("calibrated",) and held == [True] * 3 and in_hand(store) == {}
    assert session.CALIBRATING.settle_s == 45.0


def test_what_takes_a_thermometer_out_says_to_unplug_first(home: Path) -> None:
    class Line:
        def skip(self) -> None: ...

        def __iter__(self) -> Iterator[Reading]:
            return (Reading("cellar", "temperature", NOW + n * 5000, 0.4) for n in range(60))

    lines: list[str] = []
    there = session.Person(lines.append, lines.append, lambda _: 25.0)
    with EmbeddedStore(home / "rushlight.db") as store:
        found = session.calibrated_level(
            store, "cellar", "temperature", 0.0, "an ice bath", Line(), there,  # type: ignore[arg-type]
            TankCalibrations([]), NOW,
        )  # fmt: skip
    assert found.offset == -0.4
    assert "unplug at the wall first" in lines[0] and "ice bath" in lines[1]
