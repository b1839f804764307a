"""Tanks shared out among several collectors, on a real Mosquitto."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import zlib
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from rushlight.analysis.commands.main import main
from rushlight.analysis.notices.notifier import Notifier
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.collector.errors import ServerAway, SettingsError
from rushlight.collector.influx.drain import Drain
from rushlight.collector.influx.points import line_of
from rushlight.collector.readings import Reading
from rushlight.collector.service.moved_tanks import take_over
from rushlight.collector.service.parts import Part, parse_part, part_of, settings_of_part
from rushlight.collector.settings import NoticeSettings, Settings, load_settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import Broker, now_ms, wait_for

ROOT = Path(__file__).parents[3]
TANKS = [f"shelf-{number}" for number in range(6)]
REPORTS = 130


def settings_text(port: int, more: str = "") -> str:
    head = '[status_page]\nenabled = false\n[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\n'
    head += f"port = {port}\n{more}\n"
    return head + "".join(
        f'[tanks.{name}]\nvolume_litres = 54\ntimezone = "Europe/Lisbon"\n[tanks.{name}.livestock]\n'
        "temperature_low_c = 18.0\ntemperature_high_c = 26.0\n"
        for name in TANKS
    )


def test_crc_is_the_published_one() -> None:
    # CRC-32/ISO-HDLC: check value 0xCBF43926 of "123456789" (Catalogue of parametrised CRC algorithms)
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert part_of("123456789", 4) == 0xCBF43926 % 4 + 1


@given(
    st.sets(st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,20}", fullmatch=True), min_size=1),
    st.integers(1, 12),
)
def test_each_tank_is_in_exactly_one_part(names: set[str], parts: int) -> None:
    table = "".join(
        f'[tanks."{name}"]\nvolume_litres = 54\ntimezone = "UTC"\n[tanks."{name}".livestock]\n'
        "temperature_low_c = 18\ntemperature_high_c = 26\n"
        for name in names
    )
    settings = parse_settings('[[links]]\nkind = "mqtt"\n' + table)
    found: list[str] = []
    for number in range(1, parts + 1):
        try:
            found += settings_of_part(settings, Part(number, parts)).tanks
        except SettingsError as error:
            assert "falls to part" in str(error)
    assert sorted(found) == sorted(names)


def test_what_a_part_runs_by() -> None:
    more = '[[links.map]]\ntopic = "shed/a"\ntank = "shelf-0"\nquantity = "ph"\n'
    settings = parse_settings(settings_text(1883, more))
    number = part_of("shelf-0", 2)
    with_map = settings_of_part(settings, Part(number, 2))
    without = settings_of_part(settings, Part(3 - number, 2))
    share = f"$share/rushlight-{number}-of-2/"
    filters = with_map.links[0].filters()  # type: ignore[union-attr]
    assert share + "shed/a" in filters
    assert share + "rushlight/shelf-0/readings" in filters
    assert "rushlight/shelf-0/device" in filters
    assert not [topic for topic in without.links[0].filters() if "shed" in topic or "shelf-0" in topic]  # type: ignore[union-attr]
    assert with_map.store.path == f"rushlight.{number}-of-2.db"
    assert with_map.links[0].client_id == f"rushlight-collector-{number}-of-2"  # type: ignore[union-attr]
    assert with_map.notices.heartbeat_url_env.endswith(f"_{number}")
    assert settings_of_part(settings, Part(1, 1)) is settings


@pytest.mark.parametrize("text", ["0/2", "3/2", "2", "1/0", "a/b", "-1/2", "1/99999"])
def test_parts_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match="write 2/4"):
        parse_part(text)


@pytest.mark.parametrize(
    ("link", "match"),
    [
        ('kind = "serial"\nport = "/dev/ttyUSB0"', "serial port has one reader"),
        ('kind = "mqtt"\nprotocol = "3.1.1"', "need MQTT 5"),
    ],
)
def test_links_that_can_not_be_shared_out(link: str, match: str) -> None:
    settings = parse_settings(f"[[links]]\n{link}\n" + settings_text(1883).split("port = 1883\n")[1])
    with pytest.raises(SettingsError, match=match):
        settings_of_part(settings, Part(part_of("shelf-0", 2), 2))


class Run:
    """`rushlight run` in a folder."""

    def __init__(self, folder: Path, part: str = "") -> None:
        self.log = folder / f"{part.replace('/', '-') or 'whole'}.log"
        words = ["--part", part] if part else []
        before = self.text().count("connected")
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "rushlight.analysis.commands.main", "run", *words],
                cwd=folder,
                stderr=log,
                env=os.environ | {"PYTHONPATH": str(ROOT / "src")},
            )
        wait_for(lambda: self.text().count("connected") > before, "the service to connect")

    def text(self) -> str:
        return self.log.read_text() if self.log.exists() else ""

    def end(self, number: int = signal.SIGTERM) -> None:
        self.process.send_signal(number)
        self.process.wait(20)


def shown(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rushlight.analysis.commands.main", "status", *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT / "src")},
        capture_output=True,
        text=True,
        check=False,
    )


def test_status_shows_all_parts_that_were_running_last(tmp_path: Path) -> None:
    (tmp_path / "rushlight.toml").write_text(settings_text(1883))
    assert "rushlight run" in shown(tmp_path).stderr  # no store yet
    files = ["rushlight.db", "rushlight.1-of-3.db", "rushlight.2-of-2.db", "rushlight.1-of-2.db"]
    for age, file in enumerate(reversed(files)):
        EmbeddedStore(tmp_path / file).close()
        os.utime(tmp_path / file, (2e9 - age, 2e9 - age))
    both = shown(tmp_path)
    assert both.returncode == 0, both.stderr
    own = [line for line in both.stdout.splitlines() if "the service is" in line]
    assert [name for name in files if any(name in line for line in own)] == files[2:]
    assert "1-of-2" in own[0] and "2-of-2" in own[1]
    for name in TANKS:
        assert len(re.findall(rf"^{name}, ", both.stdout, re.MULTILINE)) == 1  # each tank in its part
    assert shown(tmp_path, "--part", "2/2").stdout.count("the service is") == 1
    # one service for all again: its log is newer than its file
    (tmp_path / "rushlight.db-wal").touch()
    os.utime(tmp_path / "rushlight.db-wal", (2e9 + 9, 2e9 + 9))
    assert [line for line in shown(tmp_path).stdout.splitlines() if "1-of-" in line] == []


def stream(start_ms: int, first: int, last: int) -> list[tuple[str, str]]:
    """Reports of all tanks, too warm in every second one."""
    return [
        (
            f"rushlight/{name}/readings",
            f'[{{"bn":"{name}/","bt":{(start_ms + 10_000 * seq) / 1000},"seq":{seq},'
            f'"n":"temperature","u":"Cel","v":{(27.5 if number % 2 else 24.0) + seq % 5 / 100:.2f}}}]',
        )
        for seq in range(first, last)
        for number, name in enumerate(TANKS)
    ]


def publish(broker: Broker, messages: list[tuple[str, str]]) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(100)
    client.connect(broker.host, broker.port)
    client.loop_start()
    for info in [client.publish(topic, payload, 1) for topic, payload in messages]:
        info.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


def count(folder: Path, files: list[str]) -> int:
    found = 0
    for name in files:
        with closing(EmbeddedStore(folder / name, read_only=True)) as store:
            found += sum(len(list(store.readings(tank, "temperature"))) for tank in store.tanks())
    return found


def outcome(folder: Path, files: list[str]) -> dict[str, tuple[list[int], list[tuple[str, str, str]]]]:
    """By tank: report numbers in the order of arrival, and events."""
    found = {}
    for name in files:
        with closing(EmbeddedStore(folder / name, read_only=True)) as store:
            for tank in store.tanks():
                assert tank not in found
                events = [
                    (e.time, e.alarm, e.event) for e in store.events(tank=tank) if e.alarm != "device-silent"
                ]
                found[tank] = ([r.seq for _, r in store.arrivals_after(0, tank)], events)
    return found


@pytest.mark.timeout(110)
def test_two_parts_say_what_one_says_and_a_killed_part_loses_nothing(
    mosquitto: Broker, tmp_path: Path
) -> None:
    start_ms = now_ms() - 10_000 * REPORTS
    whole, parts = tmp_path / "whole", tmp_path / "parts"
    for folder in (whole, parts):
        folder.mkdir()
        (folder / "rushlight.toml").write_text(settings_text(mosquitto.port))
    files = ["rushlight.1-of-2.db", "rushlight.2-of-2.db"]
    runs = [Run(whole), Run(parts, "1/2"), Run(parts, "2/2")]
    total = len(TANKS) * REPORTS
    try:
        publish(mosquitto, stream(start_ms, 0, 60))
        wait_for(lambda: count(parts, files) > 100, "some readings")
        runs[1].end(signal.SIGKILL)
        publish(mosquitto, stream(start_ms, 60, REPORTS))  # one half while that part is away
        runs[1] = Run(parts, "1/2")
        wait_for(lambda: count(parts, files) == total, "all readings of the parts")
        wait_for(lambda: count(whole, ["rushlight.db"]) == total, "all readings of the whole")
    finally:
        for run in runs:
            run.end()
    one, two = outcome(whole, ["rushlight.db"]), outcome(parts, files)
    assert two == one
    assert set(two) == set(TANKS)
    for number, name in enumerate(TANKS):
        seqs, events = two[name]
        assert seqs == list(range(REPORTS))  # each once, in order
        assert any(alarm == "temperature-high" for _, alarm, _ in events) == bool(number % 2)


@pytest.mark.timeout(110)
def test_from_one_part_to_two_what_was_learnt_goes_along(mosquitto: Broker, tmp_path: Path) -> None:
    start_ms = now_ms() - 10_000 * REPORTS
    (tmp_path / "rushlight.toml").write_text(settings_text(mosquitto.port))
    whole = Run(tmp_path)
    try:
        publish(mosquitto, stream(start_ms, 0, 120))
        wait_for(lambda: count(tmp_path, ["rushlight.db"]) == 120 * len(TANKS), "the readings")
    finally:
        whole.end()
    runs = [Run(tmp_path, "1/2"), Run(tmp_path, "2/2")]
    try:
        assert "taken over from" in runs[0].text() + runs[1].text()
        publish(mosquitto, stream(start_ms, 119, REPORTS))  # the first of them came before
        files = ["rushlight.1-of-2.db", "rushlight.2-of-2.db"]
        wait_for(lambda: count(tmp_path, files) == (REPORTS - 119) * len(TANKS), "the rest, and each once")
    finally:
        for run in runs:
            run.end()
    before = outcome(tmp_path, ["rushlight.db"])
    assert [name for name in TANKS if before[name][1]] == TANKS[1::2]
    for name, (_, events) in outcome(tmp_path, files).items():
        # what stood before stands on and is not raised again
        stood = [e for e in before[name][1] if e[2] == "raised"]
        assert [e for e in events if e[1] == "temperature-high" and e[2] == "raised"] == stood, name


def test_reminders_follow_their_tank_and_none_is_left_behind(tmp_path: Path) -> None:
    common_file = tmp_path / "rushlight.toml"
    common_file.write_text(settings_text(1883))
    common = load_settings(common_file)
    tank = TANKS[1]
    own = settings_of_part(common, Part(part_of(tank, 2), 2))
    now = now_ms()
    level = 24.0
    sent: list[str] = []

    def take(url: str, title: str, body: str, priority: str, picture: Path | None = None) -> bool:
        sent.append(title)
        return True

    def run(settings: Settings, celsius: float, minutes: int) -> list[str]:
        """One service after the other, slowly to so many degrees; the titles of the notices of this one."""
        nonlocal now, level
        sent.clear()
        urls = {"RUSHLIGHT_NOTICE_URLS": "json://127.0.0.1:9/a"}
        notifier = Notifier(NoticeSettings(), environment=urls, clock=lambda: now, sender=take)
        with EmbeddedStore(settings.store_path(), synchronous="OFF") as store:
            take_over(common, settings, store)
            analysis = LiveAnalysis(settings, notifier, lambda: now)
            analysis.start(store, now)
            for _ in range(2 * minutes):
                now += 30_000
                level += min(max(celsius - level, -0.03), 0.03)
                readings = [Reading(tank, "temperature", now, level, 1, now // 30_000 % 9999)]
                with store.transaction():
                    store.add_readings(readings)
                    analysis.take(readings, now)
                    analysis.keep(store, now, False)
                analysis.kept(now)
                notifier.run_once(store, now)
        return list(sent)

    run(common, 24.0, 10)
    raised = run(common, 29.0, 200)
    assert len(raised) >= 2 and all("HIGH" in title for title in raised)
    # notices.resend_min is 15: every quarter of an hour, in one service as in another
    assert len(run(own, 29.0, 61)) == 4
    with closing(EmbeddedStore(own.store_path(), read_only=True)) as store:
        (occurrence,) = {event.occurrence for event in store.events(tank)}
        # the first one was sent by the other service: a target has word of it
        assert [n.number for n in store.notices(occurrence) if n.delivered_ms is not None].count(0) == 1
    assert run(own, 24.0, 161)[-1].startswith("Over")
    assert run(common, 24.0, 61) == []
    with closing(EmbeddedStore(common.store_path(), read_only=True)) as store:
        assert [event.event for event in store.events(tank)] == ["raised", "cleared"]


def test_what_no_server_has_yet_goes_along(tmp_path: Path) -> None:
    file = tmp_path / "rushlight.toml"
    file.write_text(
        '[store]\nkind = "influxdb"\nurl = "http://127.0.0.1:9"\nbucket = "b"\n' + settings_text(1883)
    )
    common = load_settings(file)
    tank, now = TANKS[1], now_ms()
    own = settings_of_part(common, Part(part_of(tank, 2), 2))
    readings = [Reading(tank, "temperature", now + 10_000 * seq, 24.0, 1, seq) for seq in range(100)]

    class Server:
        """In the place of the writer: away at first."""

        away = True
        connections = 1

        def __init__(self) -> None:
            self.lines: set[str] = set()

        def write(self, lines: Sequence[str]) -> None:
            if self.away:
                raise ServerAway("away")
            self.lines |= set(lines)

    server = Server()
    with EmbeddedStore(common.store_path()) as store:
        drain = Drain(common.store, server, lambda: now)
        drain.run_once(store, now)
        store.add_readings(readings)
        store.save_state("analysis", tank, b"", store.position() - 3)
        drain.run_once(store, now)
    server.away = False
    with EmbeddedStore(own.store_path()) as store:
        take_over(common, own, store)
        saved = store.load_state("analysis", tank)
        assert saved is not None
        # not given to the analysis again, which knows them
        assert [reading for _, reading in store.arrivals_after(saved[1], tank)] == readings[-3:]
        drain = Drain(own.store, server, lambda: now)
        while drain.run_once(store, now):
            pass
    assert server.lines == {line_of(reading) for reading in readings}


def filled(folder: Path, parts: int, start_ms: int) -> dict[str, str]:
    """Part stores as services would leave them, the tanks with odd numbers too warm; each tank's part."""
    (folder / "rushlight.toml").write_text(settings_text(1883))
    common = load_settings(folder / "rushlight.toml")
    found: dict[str, str] = {}
    for number in range(1, parts + 1):
        own = settings_of_part(common, Part(number, parts))
        found |= dict.fromkeys(own.tanks, f"{number}/{parts}")
        live = LiveAnalysis(own, Notifier(NoticeSettings(), environment={}), now_ms)
        readings = [
            Reading(name, quantity, start_ms + 10_000 * n, value, 1, n)
            for n in range(REPORTS)
            for name in own.tanks
            for quantity, value in (("temperature", 27.5 if int(name[-1]) % 2 else 24.0), ("ph", 6.8))
        ]
        with EmbeddedStore(own.store_path()) as store, store.transaction():
            live.take(readings, now_ms())
            store.add_readings(readings)
            live.keep(store, now_ms(), True)
    assert set(found.values()) == {f"{number}/{parts}" for number in range(1, parts + 1)}
    return found


def test_the_part_of_a_tank_is_found_without_being_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    start_ms = now_ms() - 10_000 * REPORTS
    part = filled(tmp_path, 2, start_ms)

    def run(*words: str) -> tuple[int, str, str]:
        status = main(words)
        return status, *capsys.readouterr()

    # one of each part, too warm
    warm = {part[name]: name for name in TANKS if int(name[-1]) % 2}
    assert len(warm) == 2
    around = datetime.fromtimestamp((start_ms + 600_000) / 1000, UTC).isoformat()
    for number, name in warm.items():
        status, out, err = run("explain", f"{name}/temperature-high")
        assert (status, err) == (0, "") and f"{name}/temperature-high/" in out
        assert run("explain", "--part", number, f"{name}/temperature-high")[1] == out
        status, out, err = run("replay", "--store", "--around", around, "--hours", "1", "--tank", name)
        assert (status, err) == (0, "") and "too warm" in out
        status, out, err = run("export", "--tank", name, f"{name}.csv")
        file = f"rushlight.{number.replace('/', '-of-')}.db"
        assert status == 0 and out == f"{2 * REPORTS} readings from {file} written to {name}.csv\n"
        assert run("acknowledge", name, "temperature-high")[0] == 0
        assert run("shelve", name, "temperature-high", "--for", "1h")[0] == 0
        assert run("unshelve", name, "temperature-high")[0] == 0
    # all tanks of all parts
    status, out, err = run("replay", "--store", "--around", around, "--hours", "1")
    assert (status, err) == (0, "")
    assert [name for name in TANKS if f"\n{name}, " in "\n" + out] == TANKS
    assert set(re.findall(r"in (shelf-\d), too warm", out)) == {n for n in TANKS if int(n[-1]) % 2}
    # what is in several stores is not guessed at
    for words in (("export", "all.csv"), ("import", "shelf-1.csv")):
        status, out, err = run(*words)
        assert (status, out) == (2, "") and len(err.splitlines()) == 1
        for name, number in part.items():
            assert re.search(rf"--part {number} \([^)]*\b{name}\b", err), err
    assert run("export", "--part", "1/2", "all.csv")[0] == 0
    assert run("explain", "shelf-9/temperature-high")[0::2] == (
        2,
        f"rushlight.toml: there is no tank 'shelf-9'; known are {', '.join(TANKS)}\n",
    )
    # nothing has made a store of its own meanwhile
    assert not (tmp_path / "rushlight.db").exists()
