"""The status page: a real server on a free port, a real store, a real browser."""

from __future__ import annotations

import html
import http.client
import itertools
import json
import logging
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path
from typing import Any

import psutil
import pytest
from msgspec.structs import replace

from rushlight.analysis.alarms.rationale import Equipment, rationale_for
from rushlight.analysis.findings import Finding
from rushlight.analysis.service import run as running
from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.views.access.keys import Keys
from rushlight.analysis.views.access.openness import is_loopback
from rushlight.analysis.views.page import StatusPage, desk, live, pages
from rushlight.analysis.views.page.sparkline import BUCKET_MS, SPAN_MS, Trace, draw
from rushlight.analysis.views.status import status_lines
from rushlight.analysis.watch.saved import ANALYSIS_STATE, FAILED_META
from rushlight.analysis.watch.tank_watch import TankWatch
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.service.listener import LINKS_META
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import Broker, free_port, wait_for

ROOT = Path(__file__).parents[3]
NOW = 1_772_330_400_000  # 2026-03-01T02:00:00Z
SETTINGS = """
[status_page]
port = 0
[tanks.porch]
title = '{title}'
volume_litres = 60
timezone = "Asia/Tokyo"
[tanks.porch.water]
carbonate_hardness_dkh = 4.0
[tanks.porch.livestock]
temperature_low_c = 18.0
temperature_high_c = 26.0
"""
HARM = '<img src=x onerror="document.title=`taken over`"></h2><script>document.title="taken over"</script>'


def warm_tank(folder: Path, title: str = "Tank on the porch") -> Settings:
    """An hour in which the porch gets too warm, ending now, as the service would have left it."""
    settings = parse_settings(SETTINGS.format(title=title), str(folder / "rushlight.toml"))
    readings = [
        Reading("porch", name, NOW - 3_600_000 + i * 10_000, value, Flag.PASS, i)
        for i in range(360)
        for name, value in (("temperature", 24 + i / 100), ("ph", 6.8 + i % 7 / 100))
    ]
    with EmbeddedStore(settings.store_path()) as store:
        live = LiveAnalysis(settings, make_notifier(settings, lambda: NOW), lambda: NOW)
        live.take(readings, NOW)
        with store.transaction():
            store.add_readings(readings)
            live.keep(store, NOW, True)
        link = {"name": "/dev/ttyUSB0", "counters": {"delivered": 360, "garbled": 2}, "last_ms": NOW - 12_000}
        store.set_meta(LINKS_META, json.dumps([link]))
    return settings


class Served:
    """A page that is being served, with what it was given of the service."""

    def __init__(self, settings: Settings, well: Callable[[], bool], clock: Callable[[], int]) -> None:
        self.page = StatusPage(settings, settings.store_path(), clock, well)
        assert self.page.start()
        self.port = int(self.page.url.rstrip("/").rpartition(":")[2])

    def get(self, path: str, method: str = "GET", **headers: str) -> tuple[int, Any, str]:
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)) as connection:
            connection.request(method, path, headers=headers)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    made: list[Served] = []

    def start(
        settings: Settings, well: Callable[[], bool] = lambda: True, clock: Callable[[], int] = lambda: NOW
    ) -> Served:
        made.append(Served(settings, well, clock))
        return made[-1]

    yield start
    for served in made:
        served.page.stop()


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of a real browser; the whole run fails where it is missing, so that nothing is skipped."""
    binary = shutil.which("chromium") or shutil.which("chromium-browser")
    if binary is None:
        pytest.exit("the tests need a real browser: apt-get install chromium", returncode=1)
    return binary


@pytest.fixture
def browser(chromium: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The browser's command line, but for what it shall do."""
    monkeypatch.setenv("HOME", str(tmp_path))
    words = "no-sandbox disable-gpu disable-dev-shm-usage no-first-run disable-background-networking"
    options = [f"--{word}" for word in (words + " disable-component-update disable-sync").split()]
    return [chromium, "--headless", *options, f"--user-data-dir={tmp_path / 'browser'}"]


@pytest.fixture
def browse(browser: list[str]) -> Callable[..., str]:
    """`browse(url)`: the document as the browser has it after it has run the page's script."""

    def dump(url: str, *more: str) -> str:
        command = [*browser, *more, "--dump-dom", url]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return dump


def ticking() -> Callable[[], int]:
    """A clock that goes on by ten seconds each time it is read."""
    ticks = itertools.count()
    return lambda: NOW + next(ticks) * 10_000


def test_a_detector_that_failed_is_said(tmp_path: Path, serve: Callable[..., Served]) -> None:
    settings = warm_tank(tmp_path)
    with EmbeddedStore(settings.store_path()) as store:
        store.set_meta(FAILED_META + "porch", f"stray current {NOW - 300_000}")
    served = serve(settings)
    words = "Stray current could not be judged 5 min ago: an error in Rushlight itself, see its log."
    assert words in served.get("/")[2]
    (tank,) = json.loads(served.get("/status.json")[2])["tanks"]
    assert tank["failure"] == {"detector": "stray current", "age_ms": 300_000}
    later = serve(settings, clock=lambda: NOW + 86_400_000)
    assert "could not be judged" not in later.get("/")[2]


def plain(text: str) -> str:
    """A page without its markup."""
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)))


def alarm_links(text: str) -> list[str]:
    return list(dict.fromkeys(re.findall(r'href="(/alarm/[^"]+)"', text)))


def test_the_page_says_what_a_person_needs(tmp_path: Path, serve: Callable[..., Served]) -> None:
    served = serve(warm_tank(tmp_path))
    status, headers, text = served.get("/")
    assert (status, headers["Content-Type"]) == (200, "text/html; charset=utf-8")
    said = plain(text)
    # the answer comes first, and alarms before numbers
    places = [said.index(part) for part in ("needs you", "No time left", "27.59 °C", "The last 24 hours")]
    assert places == sorted(places)
    assert "<title>1 alarm: 1 high – Rushlight</title>" in text
    assert re.search(r"> ?high ?</span>", text)  # the priority in words, not in colour alone
    assert re.search(r"27\.59 °C .* 10 s ago", said)
    assert "24.00 to 27.59 °C" in said  # the drawing in words
    # 4 dKH, pH 6.83: the trade's rule 3·KH·10^(7-pH) gives 18 mg/L (common practice, no source); at this
    # temperature it is known to be up to a tenth low
    gas = re.search(r"CO2, estimated from the pH (\d+) mg/L", said)
    assert gas and 18 <= int(gas[1]) <= 23
    assert (
        "Link /dev/ttyUSB0: 360 received, reports come in, 2 unreadable (wrong baud rate, bad cable?)" in said
    )
    # watches only; and nobody can answer before a password is set
    assert not re.search(r"<(form|button|input|select|textarea)\b", text)
    # as on its own page: the words that decide are in the first step, which the answer has too; the rest once
    assert said.count("with dry hands") == 2 and "Electricity: unplug" not in said
    assert said.count("very cable needs a drip loop") == 1
    # nothing from elsewhere
    assert not re.search(r"""(src|href|action)=["'](?!/|data:,|#)""", text)
    assert not re.search(r"\bon\w+=|\bstyle=", text)
    for svg in re.findall(r"<svg.*?</svg>", text, re.S):
        ElementTree.fromstring(svg)  # well-formed
    (link,) = alarm_links(text)
    status, _, text = served.get(link)
    said = plain(text)
    assert status == 200
    for step in rationale_for("temperature-high", Equipment("", heater=False, light=False)).lines:
        assert step in said
    # the words that decide are in the step, and nowhere else; the rest is below, once
    assert said.count("dry hands") == 1 and "at the wall" in said
    assert said.count("very cable needs a drip loop") == 1 and "licensed electrician" in said
    assert "fish-health professional or a vet" in said
    assert "today 10:" in said  # Tokyo's clock is 9 h ahead of UTC (IANA tz database)


def test_steps_of_an_alarm_that_is_over_have_their_cautions(
    tmp_path: Path, serve: Callable[..., Served]
) -> None:
    settings = warm_tank(tmp_path)
    with EmbeddedStore(settings.store_path()) as store:
        store.delete_state(ANALYSIS_STATE, "porch")  # as after a shelf or a restart of the analysis
        (raised,) = [event for event in store.events() if event.event == "raised"]
    said = plain(serve(settings).get(f"/alarm/{raised.occurrence}")[2])
    assert "What was to be done" in said and "unplug at the wall first, with dry hands" in said


def test_the_page_speaks_in_the_units_of_whoever_reads_it(
    tmp_path: Path, serve: Callable[..., Served]
) -> None:
    settings = warm_tank(tmp_path)
    served = serve(replace(settings, display=replace(settings.display, units="us")))
    said = plain(served.get("/")[2])
    # NIST SP 811, B.8: t/°F = 1.8 t/°C + 32
    assert "81.7 °F" in said and "27.59" not in said
    assert "°C" not in said.partition("The last 24 hours")[0]
    plot = json.loads(served.get("/tank/porch/plot.json")[2])
    water = next(panel for panel in plot["panels"] if panel["id"] == "temperature")
    # 24.00 to 27.59 °C; limits 18 and 26 °C
    assert (water["unit"], water["words"], water["limits"]) == ("°F", "75.2 to 81.7 °F", [64.4, 78.8])
    assert max(water["high"]) == 81.662 and min(water["low"]) == 75.2
    assert "78.8 °F" in plot["marks"][0]["text"]


def test_danger_to_people_comes_before_everything_else(tmp_path: Path, serve: Callable[..., Served]) -> None:
    settings = warm_tank(tmp_path)
    watch = TankWatch("porch", settings.tanks["porch"])
    over = Finding(alarm="light-missing", priority="medium")
    danger = Finding(alarm="stray-current-suspected", priority="critical", cause="a heater that leaks")
    slow = Finding(alarm="light-schedule-drift", priority="low")
    events = []
    for minute in range(240):
        found = [over] if minute < 120 else [slow, danger]
        events += watch.book.update(found, NOW + (minute - 240) * 60_000)
    with EmbeddedStore(settings.store_path()) as store:
        for event in events:
            store.add_event(event)
        store.save_state(ANALYSIS_STATE, "porch", watch.snapshot(), store.position())
        screen = "\n".join(line.plain for line in status_lines(settings, store, NOW))
    # the screen has the cautions too, each once
    assert screen.count("do not put a hand in the water") == screen.count("drip loop") == 1
    served = serve(settings)
    text = html.unescape(served.get("/")[2])
    assert "2 alarms: 1 critical, 1 low" in text
    first, second, over = re.findall(r"<article.*?</article>", text, re.S)
    assert "critical</span>" in first and "low</span>" in second
    hand, step = first.index("do not put a hand in the water"), first.index("left")
    assert hand < step
    assert "over, nobody has said they saw it" in over and "All steps" not in over
    whole = html.unescape(served.get(alarm_links(first)[0])[2])
    assert whole.index("do not put a hand in the water") < whole.index("<ol>")
    assert "Likely cause: a heater that leaks." in whole


def test_headers_that_keep_others_out(tmp_path: Path, serve: Callable[..., Served]) -> None:
    served = serve(warm_tank(tmp_path))
    for path in (
        "/",
        "/tank/porch",
        "/history",
        "/health",
        "/status.json",
        "/page.css",
        "/page.js",
        "/nowhere",
    ):
        status, headers, _ = served.get(path)
        assert status == (404 if path == "/nowhere" else 200)
        policy = dict(part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";"))
        # W3C Content Security Policy Level 3: what isn't named falls back to default-src, but for these three
        assert policy["default-src"] == policy["base-uri"] == "'none'"
        assert policy["form-action"] == "'self'"
        assert policy["frame-ancestors"] == "'none'"
        assert "unsafe" not in str(policy) and "http" not in str(policy)
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert served.get(path, "POST")[0] in (404, 405)
    # DNS rebinding: another name for this machine gets nothing
    status, headers, text = served.get("/status.json", Host="rebound.example")
    assert (status, "porch" in text) == (421, False)  # RFC 9110, 15.5.20: Misdirected Request
    assert served.get("/", Host="[::1")[0] == 421
    assert served.get("/", Host=f"localhost:{served.port}")[0] == 200


def test_health_and_json(tmp_path: Path, serve: Callable[..., Served]) -> None:
    well = [True]
    served = serve(warm_tank(tmp_path), lambda: well[0])
    status, headers, text = served.get("/health")
    assert (status, headers["Content-Type"]) == (200, "application/json")
    assert json.loads(text) == {"well": True, "newest_reading": "2026-03-01T01:59:50Z"}
    body = json.loads(served.get("/status.json")[2])
    (tank,) = body["tanks"]
    (alarm,) = tank["alarms"]
    assert (alarm["alarm"], alarm["priority"], alarm["raised"]) == ("temperature-high", "high", True)
    assert alarm["cautions"] and alarm["action"]
    assert {r["quantity"]: (r["unit"], r["age_ms"]) for r in tank["readings"]} == {
        "temperature": ("Cel", 10_000),
        "ph": ("pH", 10_000),
    }
    assert [event["event"] for event in body["events"]] == ["raised"]
    assert body["links"][0]["faults"] == {"garbled": 2}
    well[0] = False
    status, _, text = served.get("/health")
    assert (status, json.loads(text)["well"]) == (503, False)


def test_a_store_that_cannot_be_read_is_503_and_comes_back(
    tmp_path: Path, serve: Callable[..., Served], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(desk.Desk.once, "__defaults__", (0,))
    settings = parse_settings(SETTINGS.format(title="Porch"), str(tmp_path / "rushlight.toml"))
    served = serve(settings)
    for path in ("/", "/health", "/status.json"):
        status, _, text = served.get(path)
        assert status == 503 and "there is no such file" in text
    warm_tank(tmp_path)
    assert served.get("/health")[0] == served.get("/")[0] == 200
    settings.store_path().write_bytes(b"not a store" * 1000)
    for leftover in tmp_path.glob("rushlight.db-*"):
        leftover.unlink()
    served.page._app.close()
    assert served.get("/health")[0] == 503


def test_time_left_runs_down_between_snapshots(tmp_path: Path, serve: Callable[..., Served]) -> None:
    later = [0]
    served = serve(warm_tank(tmp_path), clock=lambda: NOW + later[0])

    def left() -> Any:
        return json.loads(served.get("/status.json")[2])["tanks"][0]["alarms"][0]["time_left_s"]

    first = left()
    assert first is not None
    later[0] = 600_000
    assert left() == pytest.approx(max(0.0, first - 600))


def test_a_port_in_use_is_one_line_and_no_more(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    settings = warm_tank(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as other:
        settings.status_page.port = other.getsockname()[1]
        page = StatusPage(settings, settings.store_path(), lambda: NOW, lambda: True)
        with caplog.at_level(logging.INFO):
            assert not page.start()
        page.stop()
    (record,) = caplog.records
    assert (
        f"no status page at 127.0.0.1:{settings.status_page.port} (Address already in use)" in record.message
    )
    settings.status_page.port = 70_000
    assert not StatusPage(settings, settings.store_path(), lambda: NOW, lambda: True).start()


def test_a_page_that_is_broken_does_not_stop_the_service(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = warm_tank(tmp_path)
    monkeypatch.setattr(pages, "_HERE", tmp_path)  # its templates are not there
    assert running._page(settings, settings.store_path(), lambda: NOW, lambda: True) is None
    assert "no status page (TemplateNotFound" in caplog.text
    settings.status_page.enabled = False
    caplog.clear()
    assert running._page(settings, settings.store_path(), lambda: NOW, lambda: True) is None
    assert not caplog.text


@pytest.mark.parametrize(
    ("host", "ours"),
    # RFC 1122, 3.2.1.3 and RFC 4291, 2.5.3: 127.0.0.0/8 and ::1 never leave the machine
    [("localhost", True), ("127.8.9.1", True), ("::1", True), ("0.0.0.0", False), ("192.0.2.1", False)],
)
def test_which_addresses_are_this_machine_only(host: str, ours: bool) -> None:
    assert is_loopback(host) is ours


def test_open_to_the_network_it_warns_and_answers_to_its_names_only(
    tmp_path: Path, serve: Callable[..., Served], caplog: pytest.LogCaptureFixture
) -> None:
    settings = warm_tank(tmp_path)
    settings.status_page.host = "0.0.0.0"
    settings.status_page.hosts = ["Tank.example"]
    closed = StatusPage(settings, settings.store_path(), lambda: NOW, lambda: True)
    assert not closed.start() and "has no password" in caplog.text
    with EmbeddedStore(settings.store_path()) as store:
        Keys(store).set_password("under the fern", NOW)
    served = serve(settings)
    assert "open to the network without TLS" in caplog.text
    for name in (
        "tank.example",
        "TANK.example:8742",
        "tank.example.",
        "localhost",
        "127.0.0.1",
        "[::1]:8742",
    ):
        assert served.get("/login", Host=name)[0] == 200, name
    # DNS rebinding: a name of a stranger that leads here
    for name in (
        "rebound.example",
        "tank.example.rebound.example",
        "192.0.2.7",
        "",
        "@",
        "localhost@x.example",
    ):
        status, _, text = served.get("/status.json", Host=name)
        assert (status, "porch" in text) == (421, False), name
    assert "[status_page] hosts" in text


def test_what_a_request_brings_along_is_not_taken(tmp_path: Path, serve: Callable[..., Served]) -> None:
    served = serve(warm_tank(tmp_path))
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)) as connection:
        connection.request("GET", "/health", body=b"x" * 100)
        assert connection.getresponse().status == 413
    assert served.get("/health")[0] == 200


def test_the_drawing_leaves_gaps_and_wild_values_out_and_takes_late_ones_in(tmp_path: Path) -> None:
    with EmbeddedStore(tmp_path / "rushlight.db") as store:

        def add(ages_min: range, value: float, flag: int = Flag.PASS) -> None:
            store.add_readings([Reading("t", "ph", NOW - m * 60_000, value, flag, m) for m in ages_min])

        trace = Trace("t", "ph")
        trace.update(store, NOW)
        assert draw(trace, "ph", NOW) is None
        trace = Trace("t", "ph")
        add(range(0, 300, 5), 6.8)
        add(range(600, 900, 5), 7.0)
        add(range(2000, 2100), 9.0)  # more than a day old
        add(range(1, 3), 13.9, Flag.FAIL)
        trace.update(store, NOW + 60_000)
        drawing = draw(trace, "ph", NOW + 60_000, (6.9, 5.0, None))
        assert drawing is not None
        assert (drawing.words, len(drawing.limits), drawing.path.count("M")) == ("6.80 to 7.00", 1, 2)
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", drawing.path)]
        assert all(0 <= x <= drawing.width for x in numbers[::2])
        assert all(0 <= y <= drawing.height for y in numbers[1::2])
        add(range(450, 460), 7.2)  # kept at the broker, delivered late
        trace.update(store, NOW + 3_700_000)
        anew = draw(trace, "ph", NOW + 3_700_000)
        assert anew is not None and anew.words == "6.80 to 7.20" and anew.path.count("M") == 3
        trace.update(store, NOW + SPAN_MS + 2 * BUCKET_MS)
        assert not trace.buckets
        trace.update(store, NOW)  # the clock was put back
        assert len(trace.buckets) > 60


def test_both_schemes_of_colour_have_the_contrast_of_wcag() -> None:
    """WCAG 2.2 success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (rules, 3:1), and its formula."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    css = (ROOT / "analysis/views/page/static/page.css").read_text()
    schemes = re.findall(r":root \{(.*?)\}", css, re.S)
    assert len(schemes) == 2
    for scheme in schemes:
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", scheme))
        assert {"paper", "ink", "well", "critical", "high", "medium", "low"} <= set(colours)
        paper = luminance(colours.pop("paper"))
        for name, colour in colours.items():
            light, dark = sorted((paper, luminance(colour)), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= (3 if name == "rule" else 4.5), name


def test_in_a_browser_a_title_with_markup_is_harmless(
    tmp_path: Path, serve: Callable[..., Served], browse: Callable[..., str]
) -> None:
    served = serve(warm_tank(tmp_path, HARM))
    text = served.get("/")[2]
    assert "&lt;script&gt;" in text and "<img" not in text and text.count("<script") == 1
    document = browse(served.page.url)
    assert "<title>1 alarm: 1 high – Rushlight</title>" in document
    assert "&lt;img src=x onerror=" in document and "<img" not in document
    # the policy lets the page's own style in
    assert document.count("<svg") == 2


@pytest.mark.timeout(60)
def test_the_command_serves_it_in_little_memory_and_lives_without_it(
    tmp_path: Path, mosquitto: Broker
) -> None:
    port = free_port()
    link = f'[[links]]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    text = link + SETTINGS.format(title="Porch").replace("port = 0", f"port = {port}")
    (tmp_path / "rushlight.toml").write_text(text)
    log = tmp_path / "service.log"

    def get(path: str) -> int:
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=10)) as connection:
            connection.request("GET", path)
            return connection.getresponse().status

    def run() -> subprocess.Popen[bytes]:
        with log.open("wb") as file:
            return subprocess.Popen(
                [sys.executable, "-m", "rushlight.analysis.commands.main", "run"],
                cwd=tmp_path,
                stderr=file,
                env=os.environ | {"PYTHONPATH": str(ROOT / "src")},
            )

    with run() as service:
        wait_for(lambda: "connected" in log.read_text(), "the service")
        assert f"the status page is at http://127.0.0.1:{port}/" in log.read_text()
        assert get("/health") == 503  # nothing has come in
        pack = '[{"bn":"porch/","n":"temperature","u":"Cel","v":24.1},{"n":"ph","u":"pH","v":6.8}]'
        subprocess.run(
            [
                "mosquitto_pub",
                "-p",
                str(mosquitto.port),
                "-q",
                "1",
                "-t",
                "rushlight/porch/readings",
                "-m",
                pack,
            ],
            check=True,
        )
        wait_for(lambda: get("/health") == 200, "a reading to be kept")
        assert {get("/") for _ in range(50)} == {200}
        # 120 MB is the project's own limit
        assert psutil.Process(service.pid).memory_info().rss < 120e6
        service.send_signal(signal.SIGTERM)
        assert service.wait(20) == 0
    assert log.read_text().rstrip().endswith("stopped")
    with socket.create_server(("127.0.0.1", port)), run() as service:
        wait_for(lambda: "connected" in log.read_text(), "the service")
        lines = [line for line in log.read_text().splitlines() if "status page" in line]
        assert len(lines) == 1 and "Address already in use" in lines[0]
        service.send_signal(signal.SIGTERM)
        assert service.wait(20) == 0


class Drawn:
    """Makes a picture of nothing much, for what it is asked."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.wanted: list[str] = []

    def want(self, name: str, occurrence: str) -> None:
        self.wanted.append(occurrence)
        self.path.write_bytes(b"\x89PNG\r\n\x1a\n" + occurrence.encode())

    def get(self, name: str, wait_s: float = 0.0) -> Path | None:
        return self.path if self.wanted else None


def test_an_alarm_links_to_its_picture(tmp_path: Path) -> None:
    settings = warm_tank(tmp_path)
    drawn = Drawn(tmp_path / "a.png")
    page = StatusPage(settings, settings.store_path(), lambda: NOW, lambda: True, drawn)  # type: ignore[arg-type]
    assert page.start()
    try:
        with closing(http.client.HTTPConnection("127.0.0.1", int(page.url[:-1].rpartition(":")[2]))) as web:

            def get(path: str) -> tuple[int, bytes]:
                web.request("GET", path)
                answer = web.getresponse()
                return answer.status, answer.read()

            (link,) = alarm_links(get("/")[1].decode())
            links = re.findall(rb'src="(/alarm/[^"]+\.png)"', get(link)[1])
            assert links
            status, body = get(links[0].decode())
            assert status == 200 and body.startswith(b"\x89PNG")
            assert body.endswith(drawn.wanted[0].encode()) and drawn.wanted[0].startswith("porch/")
            # only what the store knows is drawn
            for path in ("/alarm/porch/co2-overdose/2001-01-01T00:00:00Z.png", "/alarm/../../etc/passwd.png"):
                assert get(path)[0] == 404
            assert len(drawn.wanted) == 1
    finally:
        page.stop()


def test_without_the_means_no_picture_is_offered(tmp_path: Path, serve: Callable[..., Served]) -> None:
    served = serve(warm_tank(tmp_path))
    (link,) = alarm_links(served.get("/")[2])
    assert ".png" not in served.get(link)[2]
    assert served.get("/alarm/porch/x.png")[0] == 404


def test_who_watches_is_told_of_changes_and_holds_up_no_end(
    tmp_path: Path, serve: Callable[..., Served]
) -> None:
    """Server-sent events (WHATWG HTML, section 9.2)."""
    settings = warm_tank(tmp_path)
    served = serve(settings)
    with closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)) as web:
        web.request("GET", "/live")
        answer = web.getresponse()
        assert (answer.status, answer.headers["Content-Type"].partition(";")[0]) == (200, "text/event-stream")
        assert answer.readline() == b"retry: 3000\n"

        def mark() -> str:
            while not (line := answer.readline()).startswith(b"data: "):
                assert line, "the stream has ended"
            told = json.loads(line[6:])
            assert told["now"] == NOW
            return str(told["mark"])

        first = mark()
        assert mark() == first  # nothing has changed
        with EmbeddedStore(settings.store_path()) as store:
            store.add_readings([Reading("porch", "temperature", NOW, 25.0, Flag.PASS, 999)])
        served.page._app.desk._kept.clear()  # the clock of this page does not go on
        assert mark() != first
        assert served.get("/health")[0] == 200  # others are answered meanwhile
        began = time.monotonic()
        assert served.page.stop(5.0)
        assert time.monotonic() - began < 3


def test_only_so_many_are_told_at_a_time(
    tmp_path: Path, serve: Callable[..., Served], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "MOST_LIVE", 2)
    served = serve(warm_tank(tmp_path))
    with ExitStack() as stack:
        for _ in range(2):
            web = stack.enter_context(
                closing(http.client.HTTPConnection("127.0.0.1", served.port, timeout=20))
            )
            web.request("GET", "/live")
            assert web.getresponse().readline() == b"retry: 3000\n"
        assert served.get("/live")[0] == 503
        assert served.get("/")[0] == 200
    wait_for(lambda: served.page._app._live._count == 0, "both to have left")
