"""A bundle: nothing of a person in it, and its replay gives what the store's own replay gives."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from rushlight.analysis.commands.main import main
from rushlight.analysis.replay.bundle import read_bundle, replay_bundle
from rushlight.analysis.replay.store import replay_store
from rushlight.collector.errors import ReplayError
from rushlight.collector.events import Event
from rushlight.collector.readings import Reading
from rushlight.collector.settings import load_settings, parse_settings
from rushlight.collector.settings.as_toml import tank_toml
from rushlight.collector.store.calibration import Calibration
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.log_entry import LogEntry

MINUTE, HOUR = 60_000, 3_600_000
BEGAN = 1_768_435_200_000  # 2026-01-15T00:00Z
SECRETS = (
    "berta", "Bertas Becken", "broker.example.org", "collector-7", "MY_PASSWORD", "geheim/topic", "vault.pem",
    "/dev/serial/by-id/usb-berta", "BERTA_URLS", "BERTA_BEAT", "10.1.2.3", "haus.lan", "Dr. Sommer", "klaus",
    "Klaus' thermometer", "client-99", "store-of-berta.db",
)  # fmt: skip
TOML = """
[[links]]
kind = "mqtt"
host = "broker.example.org"
username = "collector-7"
password_env = "MY_PASSWORD"
tls_ca = "vault.pem"
client_id = "client-99"
[[links.map]]
topic = "geheim/topic"
tank = "berta"
quantity = "temperature"
[[links]]
kind = "serial"
port = "/dev/serial/by-id/usb-berta"
[store]
path = "store-of-berta.db"
[notices]
urls_env = "BERTA_URLS"
heartbeat_url_env = "BERTA_BEAT"
[status_page]
host = "10.1.2.3"
hosts = ["haus.lan"]
[tanks.berta]
title = "Bertas Becken"
volume_litres = 60
timezone = "Europe/Lisbon"
report_every_s = 60
[tanks.berta.livestock]
temperature_low_c = 22
temperature_high_c = 28
[tanks.berta.heater]
setpoint_c = 25.0
watts = 50
[tanks.berta.light]
periods = [["10:00", "13:30"], ["16:00", "20:30"]]
[tanks.berta.ph_calibration]
calibrated = 2026-01-02
[[tanks.berta.ph_calibration.points]]
ph = 7.0
mv = 1.5
[[tanks.berta.ph_calibration.points]]
ph = 4.0
mv = 175.0
temperature_c = 21.0
"""


def store_with_a_cold_night(folder: Path) -> None:
    (folder / "rushlight.toml").write_text(TOML, "utf-8")
    rows = [
        Reading("berta", "temperature", BEGAN + i * MINUTE, 25.0 + i % 3 / 50 - max(0, i - 1800) / 150, 1, i)
        for i in range(2880)
    ]
    with EmbeddedStore(folder / "store-of-berta.db") as store:
        store.add_readings(rows)
        store.add_log(
            LogEntry(tank="berta", time_ms=BEGAN + HOUR, text="Dr. Sommer came"), "klaus", BEGAN * 2
        )
        test = LogEntry(tank="berta", time_ms=BEGAN + HOUR, tests={"kh": 5}, text="Dr. Sommer tested")
        store.add_log(test, "klaus", BEGAN * 2)
        found = Calibration(quantity="temperature", offset=0.1, against="Klaus' thermometer")
        store.add_log(LogEntry(tank="berta", time_ms=BEGAN, calibration=found), "klaus", BEGAN)
        store.add_event(
            Event(
                time="2026-01-16T08:00:00Z", tank="berta", alarm="temperature-low", event="acknowledged",
                priority="high", summary="Bertas Becken is cold", detail="berta", cautions=[], actor="klaus",
                occurrence="berta/temperature-low/2026-01-16T07:00:00Z",
            )
        )  # fmt: skip


def test_a_bundle_names_nobody_and_replays_to_the_same_events(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    store_with_a_cold_night(tmp_path)
    words = ("berta", "--around", "2026-01-16 12:00", "--hours", "11", "--to", "out.zip")
    assert main(["bundle", *words]) == 0
    with zipfile.ZipFile("out.zip") as archive:
        texts = {name: archive.read(name).decode() for name in archive.namelist()}
    whole = (tmp_path / "rushlight.toml").read_text("utf-8") + "Dr. Sommer klaus Klaus' thermometer"
    for secret in SECRETS:
        assert secret in whole, "it can't be missed"
        for name, text in texts.items():
            assert secret.casefold() not in text.casefold(), f"{secret!r} is in {name}"
    assert main(["bundle", *words[:-2]]) == 0  # nor is it in the name that a file has by itself
    assert [path.name for path in tmp_path.glob("*.zip") if path.name != "out.zip"] == [
        f"moment-{(BEGAN + 36 * HOUR) // 1000}.zip"
    ]
    assert main(["bundle", *words[:3], "--hours", "nan"]) == 2
    assert '"acknowledged"' in texts["events.jsonl"] and '"kh":5' in texts["log.jsonl"]
    capsys.readouterr()
    assert main(["replay", "out.zip", "--events", "theirs.jsonl", "--beliefs", "theirs.csv"]) == 0
    shown = capsys.readouterr().out
    assert "raised" in shown and "Its maker" not in shown
    around = ("--around", "2026-01-16 12:00", "--hours", "11", "--tank", "berta")
    assert main(["replay", "--store", *around, "--events", "own.jsonl", "--beliefs", "own.csv"]) == 0
    theirs, own = ((tmp_path / name).read_text("utf-8") for name in ("theirs.jsonl", "own.jsonl"))
    assert own.count("raised") >= 1
    assert theirs == own.replace("Bertas Becken", "tank").replace("berta", "tank")
    beliefs = [(tmp_path / name).read_text("utf-8") for name in ("theirs.csv", "own.csv")]
    assert beliefs[0] == beliefs[1].replace("berta", "tank") and beliefs[0].count("\n") > 600


def test_the_readings_decide_what_a_bundle_replays_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    store_with_a_cold_night(tmp_path)
    words = ("berta", "--around", "2026-01-16 12:00", "--hours", "11", "--to", "out.zip")
    assert main(["bundle", *words]) == 0
    found = read_bundle(tmp_path / "out.zip")
    assert replay_bundle(found).events
    for one in found.readings["temperature"]:
        one.value = 25.0 + one.seq % 3 / 50
    assert not replay_bundle(found).events
    settings = load_settings("rushlight.toml")
    with EmbeddedStore("store-of-berta.db", read_only=True) as store:
        assert replay_store(settings, store, "berta", found.about.from_ms, found.about.to_ms).events


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("about.json", b"{", "damaged"),
        (
            "about.json",
            b'{"form":9,"version":"7","around_ms":1,"from_ms":1,"to_ms":2,"warm_up_days":1}',
            "newer",
        ),
        ("readings.csv", b"a,b\n", "header"),
        ("readings.csv", b"time,quantity,value,flag,seq,stamp\n2026,temperature,x,1,1,1\n", "line 2"),
        ("settings.toml", b"[tanks.tank]\nvolume_litres = -1\n", "volume_litres"),
        ("settings.toml", b"", "one tank"),
    ],
)
def test_a_damaged_bundle_is_refused_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, text: bytes, said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    store_with_a_cold_night(tmp_path)
    assert main(["bundle", "berta", "--around", "2026-01-16 12:00", "--to", "out.zip"]) == 0
    with zipfile.ZipFile("out.zip") as archive:
        parts = {one: archive.read(one) for one in archive.namelist()}
    read_bundle(tmp_path / "out.zip")
    with zipfile.ZipFile("bad.zip", "w") as archive:
        for one, data in (parts | {name: text}).items():
            archive.writestr(one, data)
    with pytest.raises(ReplayError, match=said):
        read_bundle(tmp_path / "bad.zip")
    (tmp_path / "no.zip").write_bytes(b"no zip")
    for missing in ("no.zip", "gone.zip"):
        with pytest.raises(ReplayError, match=missing):
            read_bundle(tmp_path / missing)


def test_settings_written_again_are_the_same() -> None:
    tank = parse_settings(TOML).tanks["berta"]
    assert parse_settings(tank_toml("berta", tank)).tanks["berta"] == tank
    assert "Bertas Becken" in tank_toml("berta", tank)
