"""Replay: the events file as the contract's section 5 has it, exit codes, and one tank beside another."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.alarms.rationale import rationale_for
from rushlight.analysis.commands.main import main
from rushlight.analysis.replay.files import replay_files
from rushlight.collector.errors import ReplayError, SettingsError
from rushlight.collector.readings import QUANTITIES

SETTINGS = """\
[tanks.hallway]
volume_litres = 54
timezone = "Europe/Lisbon"
[tanks.hallway.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
[tanks.shed]
volume_litres = 20
timezone = "Europe/Lisbon"
[tanks.shed.livestock]
temperature_low_c = 5.0
temperature_high_c = 26.0
"""
HEADER = "time,tank,quantity,value\n"
BEGAN = 1_772_330_400_000  # 2026-03-01T02:00Z
MINUTE = 60_000

# The contract, sections 1 and 5; the words of `event` are those of ANSI/ISA-18.2 and IEC 62682.
ALARMS = {
    "co2-overdose",
    "co2-absent",
    "ph-out-of-range",
    "heater-stuck-on",
    "heater-not-heating",
    "cooling-not-cooling",
    "temperature-high",
    "temperature-low",
    "light-schedule-drift",
    "light-missing",
    "light-stuck-on",
    "light-dimming",
    "probe-fault",
    "device-silent",
    "power-interrupted",
    "stray-current-suspected",
}
EVENTS = {"raised", "priority-changed", "acknowledged", "cleared", "shelved", "unshelved"}
PRIORITIES = {"low", "medium", "high", "critical"}
UNITS = {"Cel", "pH", "mV", "lx", "W", "mg/L", "min", "%", "Cel/h"}

Replayed = Callable[..., list[dict[str, Any]]]


def text(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def rows(
    values: Iterable[float | None], quantity: str = "temperature", tank: str = "hallway", at: int = 0
) -> str:
    """One reading a minute from minute `at` on."""
    return "".join(
        f"{text(BEGAN + (at + n) * MINUTE)},{tank},{quantity},{'' if value is None else value}\n"
        for n, value in enumerate(values)
    )


def ripple(level: float, minutes: int) -> list[float]:
    """A live probe: its last digit moves."""
    return [level + 0.01 * (n % 3) for n in range(minutes)]


def _minute(stamp: str) -> float:
    return (datetime.fromisoformat(stamp).timestamp() * 1000 - BEGAN) / MINUTE


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "rushlight.toml").write_text(SETTINGS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def replayed(folder: Path) -> Replayed:
    def run(*bodies: str, until_ms: int | None = None) -> list[dict[str, Any]]:
        paths = []
        for number, body in enumerate(bodies):
            paths.append(folder / f"readings{number}.csv")
            paths[-1].write_text(HEADER + body, encoding="utf-8")
        replay_files(folder / "rushlight.toml", paths, folder / "events.jsonl", until_ms=until_ms)
        lines = (folder / "events.jsonl").read_text(encoding="utf-8").splitlines()
        return [json.loads(line) for line in lines]

    return run


# by a tenth of a degree a minute, as a heater much too strong would do
CLIMB = [24.0 + n / 10 for n in range(50)]
WARM = rows([*ripple(24.0, 60), *CLIMB, *ripple(29.0, 30), *CLIMB[::-1], *ripple(24.0, 80)])
DEAD = rows([*ripple(24.0, 60), *[None] * 60, *ripple(24.0, 60)])
SILENT = rows(ripple(24.0, 60)) + rows(ripple(24.0, 60), at=120)


@pytest.mark.parametrize("body", [WARM, DEAD, SILENT], ids=["warm", "dead", "silent"])
def test_events_are_as_the_contract_says(replayed: Replayed, body: str) -> None:
    events = replayed(body)
    assert {event["event"] for event in events} >= {"raised", "cleared"}
    begin, end = text(BEGAN), body.rstrip().splitlines()[-1].split(",")[0]
    for event in events:
        assert {"time", "tank", "alarm", "event", "priority", "summary"} <= set(event)
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", event["time"])
        assert begin <= event["time"] <= end
        assert event["tank"] == "hallway" and event["alarm"] in ALARMS
        assert event["event"] in EVENTS and event["priority"] in PRIORITIES
        assert event["summary"] and "\n" not in event["summary"]
        assert isinstance(event.get("value", 0.0), int | float)
        assert event.get("unit", "min") in UNITS
        assert isinstance(event.get("cautions", []), list)
        if event["event"] == "raised":
            assert event["detail"] and ("value" in event) == ("unit" in event)
        if event["alarm"] == "probe-fault":
            assert event["quantity"] in QUANTITIES and "value" not in event
    assert [event["time"] for event in events] == sorted(event["time"] for event in events)


def test_every_alarm_of_the_contract_has_its_document() -> None:
    for name in ALARMS:
        assert rationale_for(name)


def test_names_and_times(replayed: Replayed) -> None:
    first = replayed(WARM)[0]
    assert (first["alarm"], first["event"], first["unit"]) == ("temperature-high", "raised", "Cel")
    # the limit of 26 °C is passed in minute 80
    assert text(BEGAN + 60 * MINUTE) <= first["time"] <= text(BEGAN + 90 * MINUTE)
    assert first["value"] == pytest.approx(24 + (_minute(first["time"]) - 60) / 10, abs=0.5)
    first = replayed(DEAD)[0]
    assert (first["alarm"], first["quantity"]) == ("probe-fault", "temperature")
    first = replayed(SILENT)[0]
    assert (first["alarm"], first["time"]) == ("device-silent", text(BEGAN + 79 * MINUTE))


def test_each_raising_has_a_clearing_between_it_and_the_next(replayed: Replayed) -> None:
    body = "".join(rows([*ripple(24.0, 60), *ripple(29.0, 90)], at=150 * n) for n in range(4))
    for body_ in (body, WARM, DEAD, SILENT):
        standing: set[tuple[str, str]] = set()
        for event in replayed(body_):
            key = (event["alarm"], event.get("quantity", ""))
            if event["event"] == "raised":
                assert key not in standing
                standing.add(key)
            elif event["event"] == "cleared":
                assert key in standing
                standing.remove(key)


def test_twice_the_same(replayed: Replayed) -> None:
    assert replayed(WARM) == replayed(WARM) != []


def test_a_quiet_tank_beside_a_warm_one(replayed: Replayed) -> None:
    both = replayed(WARM, rows(ripple(15.0, 270), tank="shed"))
    assert both == replayed(WARM)
    assert {event["tank"] for event in both} == {"hallway"}


def test_another_tanks_readings_let_time_pass_for_a_silent_one(replayed: Replayed) -> None:
    events = replayed(rows(ripple(24.0, 30)), rows(ripple(15.0, 200), tank="shed"))
    assert [(e["tank"], e["alarm"], e["event"]) for e in events] == [("hallway", "device-silent", "raised")]


def test_time_may_pass_behind_the_last_reading(replayed: Replayed) -> None:
    body = rows(ripple(24.0, 30))
    assert replayed(body) == []
    (event,) = replayed(body, until_ms=BEGAN + 300 * MINUTE)
    assert (event["alarm"], event["time"]) == ("device-silent", text(BEGAN + 49 * MINUTE))


def test_a_broken_clock_raises_nothing(replayed: Replayed) -> None:
    """A report stamped 2038, and one of 1970, among good ones; its twin: the water gets too warm."""
    stamps = {100: "2038-01-19T03:14:07Z", 150: "1970-01-01T00:00:12Z"}

    def body(warmer: float) -> str:
        found = ""
        for n in range(240):
            celsius = 24 + 0.01 * (n % 3) + warmer * min(1.0, max(0, n - 120) / 60)
            stamp = stamps.get(n, text(BEGAN + n * MINUTE))
            found += (
                f"{stamp},hallway,temperature,{celsius:.2f}\n{stamp},hallway,light,{24 + 0.01 * (n % 3)}\n"
            )
        return found

    assert replayed(body(0.0)) == []
    assert [event["alarm"] for event in replayed(body(5.0)) if event["event"] == "raised"] == [
        "temperature-high"
    ]


def test_what_is_not_in_the_settings_is_left_out_and_reported_once(folder: Path) -> None:
    path = folder / "readings.csv"
    path.write_text(HEADER + WARM + rows([1.0] * 9, tank="attic") + rows([1.0] * 5, quantity="salinity"))
    said: list[str] = []
    summary = replay_files(folder / "rushlight.toml", [path], None, complain=said.append)
    assert (summary.readings, summary.left_out) == (270, 14)
    assert len(said) == 2
    assert "'attic'" in said[0] and "add [tanks.attic] to" in said[0]
    assert "'salinity'" in said[1] and "temperature" in said[1]


def test_raw_electrode_readings_become_ph(replayed: Replayed) -> None:
    """0 mV is pH 7 and the slope is Nernst's, 59.16 mV a unit at 25 °C: -118 mV is pH 9."""
    settings = Path("rushlight.toml")
    settings.write_text(
        SETTINGS.replace("[tanks.shed]", "[tanks.hallway.water]\nph_high = 7.8\n[tanks.shed]", 1)
    )
    body = "".join(
        rows([25.0 + 0.01 * (n % 3)], at=n)
        + rows([(0.0 if n < 120 else -118.3) + 0.2 * (n % 3)], "ph_probe", at=n)
        for n in range(600)
    )
    raised = [event for event in replayed(body) if event["event"] == "raised"]
    assert {event["alarm"] for event in raised} & {"ph-out-of-range", "probe-fault"}
    for event in raised:
        if event["alarm"] == "ph-out-of-range":
            assert event["value"] == pytest.approx(9.0, abs=0.05)


# -- the command -------------------------------------------------------------------------------------------


def test_the_command_ends_with_0_and_says_what_it_did(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("readings.csv").write_text(HEADER + WARM + "noon,hallway,ph,7\n")
    assert main(["replay", "--config", "rushlight.toml", "--events", "out.jsonl", "readings.csv"]) == 0
    out, err = capsys.readouterr()
    assert "270 readings from 2026-03-01T02:00:00Z to 2026-03-01T06:29:00Z" in out
    assert "out.jsonl" in out and len(out.splitlines()) == 1
    assert err.startswith("readings.csv, line 272: ") and len(err.splitlines()) == 1
    assert Path("out.jsonl").read_text().count("\n") >= 2


@pytest.mark.parametrize("newest_first", [True, False])
def test_a_file_that_runs_backwards_is_said_to(
    folder: Path, capsys: pytest.CaptureFixture[str], newest_first: bool
) -> None:
    """Nothing in it can be judged: who reads "0 alarms" must know why."""
    lines = WARM.splitlines(keepends=True)
    Path("readings.csv").write_text(HEADER + "".join(reversed(lines) if newest_first else lines))
    assert main(["replay", "--config", "rushlight.toml", "readings.csv"]) == 0
    out, err = capsys.readouterr()
    if newest_first:
        assert "269 too late to be judged" in out and ": 0 alarms raised" in out
        assert err.startswith("readings.csv: most readings are older") and "sort by time" in err
    else:
        assert "too late" not in out and ": 0 alarms raised" not in out and err == ""


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (["nowhere.csv"], 1, "nowhere.csv: can't be opened"),
        (["other.csv"], 1, "other.csv, line 1: the header must be"),
        (
            ["--events", "no/such/folder/out.jsonl", "readings.csv"],
            1,
            "no/such/folder/out.jsonl: can't be written",
        ),
        (["--config", "nowhere.toml", "readings.csv"], 2, "nowhere.toml"),
        (["--config", "broken.toml", "readings.csv"], 2, "broken.toml"),
        (["--until", "noon", "readings.csv"], 2, "'noon' is no moment"),
        (["--until", "2026-03-01T02:00:00", "readings.csv"], 2, "2026-03-01T02:14:10Z"),
        ([], 2, "READINGS.csv"),
        (["--loud", "readings.csv"], 2, "--loud"),
    ],
)
def test_exit_status_and_one_line(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int, message: str
) -> None:
    """Contract, section 4: 1 the work itself failed; 2 the command line or settings are wrong."""
    Path("readings.csv").write_text(HEADER + WARM)
    Path("other.csv").write_text("when,what\n1,2\n")
    Path("broken.toml").write_text(SETTINGS.replace("volume_litres = 20\n", ""))
    assert main(["replay", *arguments]) == status
    out, err = capsys.readouterr()
    assert out == "" and message in err and len(err.splitlines()) == 1


def test_errors_of_the_function_are_of_their_kind(folder: Path) -> None:
    with pytest.raises(SettingsError):
        replay_files("nowhere.toml", ["readings.csv"], None)
    with pytest.raises(ReplayError):
        replay_files("rushlight.toml", ["nowhere.csv"], None)
