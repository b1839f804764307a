"""The keeper's jobs from the page: each is the command's own work, done beside the service; and the sheet."""

from __future__ import annotations

import datetime
import html
import os
import re
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

import pytest

from rushlight.analysis.absence.checks import Leaving
from rushlight.analysis.absence.job import away_lines
from rushlight.analysis.absence.sheet import Sitter
from rushlight.analysis.change_over.species import SPECIES
from rushlight.analysis.replay.bundle import read_bundle
from rushlight.analysis.views.access.keys import Keys
from rushlight.analysis.views.page.desk import Denied
from rushlight.analysis.views.page.errand_forms import TITLES, form_of, in_the_forms_words
from rushlight.analysis.views.page.errands import MOST_AT_A_TIME, Errands
from rushlight.analysis.views.page.new_tank import new_tank_lines
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import Settings, load_settings, parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.in_hand import in_hand
from rushlight.collector.store.service_lock import ServiceLock
from tests.analysis.views.page_world import (
    PASSWORD,
    SETTINGS,
    early_afternoon,
    settings_text,
    world_by_the_wall,
)
from tests.analysis.views.test_access import Browser
from tests.analysis.views.test_page import HARM, Served
from tests.analysis.views.test_page_in_browser import Watched
from tests.conftest import wait_for

DAY_MS = 86_400_000
CONTENT = {"pdf": b"%PDF-", "zip": b"PK"}  # PDF 1.7, 7.5.2; APPNOTE of ZIP, 4.3.7


def now_ms() -> int:
    return time.time_ns() // 1_000_000


class Keeper(Browser):
    """Who is logged in, and asks for jobs."""

    def __init__(self, served: Served | Watched) -> None:
        super().__init__(served)
        assert self.login(PASSWORD) == 303
        self.token = self.csrf()

    def send(self, path: str, **fields: str) -> tuple[int, str, str]:
        status, headers, text = self.ask(path, {"csrf": self.token, **fields})
        return status, headers.get("Location", ""), text

    def begin(self, kind: str, **fields: str) -> str:
        named = {name.replace("_", "-"): value for name, value in fields.items()}
        status, where, text = self.send(f"/tank/alcove/jobs/{kind}", **named)
        assert status == 303, text
        return where

    def read(self, where: str) -> str:
        """What a person reads there."""
        status, _, text = self.ask(where)
        assert status == 200, text
        body = text.partition("<main")[2].partition("</main>")[0]
        return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)))

    def done(self, where: str) -> str:
        wait_for(lambda: "data-working" not in self.ask(where)[2], "the job to be done", 60)
        return self.read(where)

    def file(self, where: str, name: str) -> bytes:
        import http.client
        from contextlib import closing

        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as connection:
            connection.request("GET", f"{where}/{name}", headers={"Cookie": self.cookie})
            answer = connection.getresponse()
            assert answer.status == 200
            return answer.read()


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    return world_by_the_wall(tmp_path_factory.mktemp("jobs"), now_ms(), days=4)


@pytest.fixture
def served(settings: Settings) -> Iterator[Served]:
    made = Served(settings, lambda: True, now_ms)
    yield made
    made.page.stop()


@pytest.fixture
def keeper(served: Served) -> Keeper:
    return Keeper(served)


def day(ahead: int) -> str:
    return f"{datetime.date.today() + datetime.timedelta(days=ahead)}"


def test_leaving_home_from_the_page_and_its_sheet_on_the_sitters_link(
    settings: Settings, served: Served, keeper: Keeper
) -> None:
    where = keeper.begin(
        "away", **{"from": day(1), "to": day(9), "call": "Jo 0123\nMe 0456", "feed": "One pinch."}
    )
    text = keeper.done(where)
    assert "8 days away: DON'T LEAVE" in text
    assert "don't leave alarm to the phone not tested for 31 days" in text
    assert "fine water level" in text and "look hardness" in text
    assert "--" not in text  # the command's options are the form's labels here
    assert "Every cable needs a drip loop" in text and "Gas: CO2" in text
    assert keeper.file(where, "sheet.pdf").startswith(CONTENT["pdf"])
    # who has a link is shown that very sheet
    with EmbeddedStore(settings.store_path()) as store:
        _, secret = Keys(store).invite("Ines", ["alcove"], False, now_ms() + 20 * DAY_MS, now_ms(), "0999")
    sitter = Browser(served)
    assert sitter.ask(f"/visit/{secret}")[0] == 303
    front = sitter.ask("/")[2]
    assert 'href="/tank/alcove/sheet"' in front
    status, _, sheet = sitter.ask("/tank/alcove/sheet")
    assert status == 200
    assert "One pinch." in sheet and "Jo 0123" in sheet and f"{day(1)} to {day(9)}" in sheet
    assert "heater stuck on" in sheet.lower() and "Leave alone" in sheet and "drip loop" in sheet
    assert sitter.ask("/tank/stairs/sheet")[0] == 404  # not theirs
    # and none of the jobs
    for path in ("/tank/alcove/jobs", "/tank/alcove/jobs/away", where, f"{where}/sheet.pdf"):
        assert sitter.ask(path)[0] == 403, path
    token = re.search(r'name="csrf" value="([^"]+)"', front)
    fields = {"csrf": token[1] if token else "", "span": "week"}
    assert sitter.ask("/tank/alcove/jobs/report", fields)[0] == 403


def test_the_sheet_that_the_command_made_is_the_one_that_is_shown(
    settings: Settings, keeper: Keeper, tmp_path: Path
) -> None:
    sitter = Sitter(day(2), day(5), ("Nobody else 77",), "Frozen, a cube a day.")
    lines = list(away_lines(settings, "stairs", Leaving(0.0), sitter, str(tmp_path / "paper")))
    assert "is shown this sheet there, too" in lines[-1]
    text = keeper.read("/tank/stairs/sheet")
    assert "Frozen, a cube a day." in text and "Nobody else 77" in text and "Made today" in text
    # one whose time is over is not shown as if it held: a plain one by the settings is
    old = Sitter("2020-01-01", "2020-01-09", (), "Old feed.")
    list(away_lines(settings, "stairs", Leaving(0.0), old, str(tmp_path / "paper")))
    text = keeper.read("/tank/stairs/sheet")
    assert "Old feed." not in text and "Nothing, unless agreed." in text and "Made from the settings" in text


def test_a_link_alone_gives_a_sheet_with_its_days_and_number(settings: Settings, served: Served) -> None:
    with EmbeddedStore(settings.store_path()) as store:
        store.delete_state("sitter-sheet", "stairs")
        until = now_ms() + 3 * DAY_MS
        _, secret = Keys(store).invite("Ines", ["stairs"], True, until, now_ms(), "+351 912")
    sitter = Browser(served)
    sitter.ask(f"/visit/{secret}")
    text = sitter.ask("/tank/stairs/sheet")[2]
    assert "+351 912" in text and f"{datetime.datetime.now(datetime.UTC).date()}"[:7] in text
    assert "Gas: CO2" not in text  # a tank without gas
    pdf = Keeper.file(sitter, "/tank/stairs", "sheet.pdf")  # type: ignore[arg-type]
    assert pdf.startswith(CONTENT["pdf"])


def test_what_is_wrong_is_said_in_the_forms_words(keeper: Keeper) -> None:
    text = keeper.done(keeper.begin("away", **{"from": day(9), "to": day(1)}))
    assert "Not done: “The day you are back”: must be behind “The day you leave”" in text
    text = keeper.done(keeper.begin("move", temperature="64"))
    assert "“Their water, °C”: must be from -50 to 60 °C, not 64 °C; did you mean 64 °F (17.8 °C)?" in text
    text = keeper.done(keeper.begin("calibrate", form="calibrate temperature"))
    assert "Not done: give “What a good thermometer shows, °C”, or choose the ice bath" in text
    assert keeper.send("/tank/alcove/jobs/nothing")[0] == 404
    assert keeper.send("/tank/alcove/jobs/move", form="bundle")[0] == 404
    assert keeper.send("/tank/nowhere/jobs/move")[0] == 404
    assert keeper.ask("/tank/alcove/jobs/report", {"span": "week"})[0] == 403  # no csrf
    assert keeper.ask("/jobs/0123456789abcdef")[0] == 404


def test_moving_animals_is_judged_as_by_the_command(keeper: Keeper) -> None:
    form = keeper.ask("/tank/alcove/jobs/move")[2]
    for name, one in SPECIES.items():
        assert f'<option value="{name}">{html.escape(one.title)}</option>' in form
    fields = {"species": "goldfish", "temperature": "19", "tank_kh": "3", "kh": "71 ppm"}
    text = keeper.done(keeper.begin("move", **fields))
    assert re.search(r"WAIT|DON'T|NOT KNOWN", text) and "is Alcove, the long one ready?" in text
    assert "From the other water: 19.0 °C" in text and "ask a fish-health professional or a vet" in text


def test_a_report_is_a_page_and_a_pdf(keeper: Keeper) -> None:
    where = keeper.begin("report", span="week", lamp="led")
    text = keeper.done(where)
    found = re.search(r"Water temperature: (\d+\.\d\d) °C", text)
    # the heater holds 24 °C; how warm the room is depends on when in the day the made-up days end
    assert found and abs(float(found[1]) - 24.0) < 0.1 and "Next: " in text
    assert keeper.file(where, "report.pdf").startswith(CONTENT["pdf"])
    status, headers, page = keeper.ask(f"{where}/report.html")
    assert status == 200 and "<svg" in page
    # it has its own style, and nothing in it runs or is framed (W3C CSP 3, sandbox)
    policy = headers["content-security-policy"]
    assert "script-src" not in policy and "default-src 'none'" in policy and "sandbox" in policy
    assert keeper.ask(f"{where}/..%2f..%2fetc%2fpasswd")[0] == 404
    assert "done" in keeper.read("/tank/alcove/jobs")


def test_a_moment_of_an_alarm_is_one_file_that_can_be_replayed(keeper: Keeper, tmp_path: Path) -> None:
    where = keeper.begin(
        "bundle", around=f"{datetime.datetime.now(datetime.UTC):%Y-%m-%dT%H:%M:%SZ}", days="1"
    )
    assert "Names, addresses and your own words are not in it" in keeper.done(where)
    found = re.search(r'href="[^"]+/(moment-\d+\.zip)"', keeper.ask(where)[2])
    assert found
    content = keeper.file(where, found[1])
    assert content.startswith(CONTENT["zip"])
    (tmp_path / "moment.zip").write_bytes(content)
    bundle = read_bundle(tmp_path / "moment.zip")
    assert set(bundle.readings) >= {"temperature", "ph", "light"} and "Alcove" not in bundle.settings.path


class Electrode:
    """A board that sends millivolts to a service that runs: ten a second, 20 s apart by its own clock."""

    def __init__(self, folder: Path) -> None:
        self.settings = world_by_the_wall(folder, now_ms(), days=1)
        self.mv = 3.0
        self._stop = threading.Event()
        self.store = EmbeddedStore(self.settings.store_path(), synchronous="OFF")
        self._send(self.store, 0)
        self._thread = threading.Thread(target=self._board)
        self._thread.start()

    def _send(self, store: EmbeddedStore, number: int) -> None:
        time_ms = now_ms() + 20_000 * number
        store.add_readings([Reading("alcove", "ph_probe", time_ms, self.mv, Flag.PASS, number)])

    def _board(self) -> None:
        with EmbeddedStore(self.settings.store_path(), synchronous="OFF") as store:
            number = 0
            while not self._stop.wait(0.1):
                number += 1
                self._send(store, number)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self.store.close()


@pytest.fixture
def electrode(tmp_path: Path) -> Iterator[Electrode]:
    settings_path = tmp_path / "rushlight.db"
    with ServiceLock(settings_path):
        made = Electrode(tmp_path)
        try:
            assert made.settings.store_path() == settings_path
            yield made
        finally:
            made.close()


def test_an_electrode_is_calibrated_from_the_page(electrode: Electrode) -> None:
    served = Served(electrode.settings, lambda: True, now_ms)
    try:
        keeper = Keeper(served)
        where = keeper.begin("calibrate", form="calibrate ph", buffer="7.00", buffer2="4.00", celsius="25")

        def asks(words: str) -> None:
            wait_for(lambda: words in keeper.ask(where)[2], f"{words!r} to be asked", 30)

        asks("put it into the buffer 7.00")
        assert "drip loop" in keeper.read(where)  # before anything is in a hand
        assert set(in_hand(electrode.store)["alcove"]) == {"ph_probe"}  # not judged meanwhile
        keeper.send(f"{where}/reply")
        asks("put it into the buffer 4.00")
        assert "Steady: +3.0 mV" in keeper.read(where)
        electrode.mv = 3.0 + 3 * 59.16  # the published Nernst slope at 25 °C: 59.16 mV a pH (CRC Handbook)
        time.sleep(0.3)
        keeper.send(f"{where}/reply")
        asks("put it back into the tank")  # what it came to is said before anything is kept
        assert "Steady: +180.5 mV" in keeper.read(where) and "lope" in keeper.read(where)
        assert electrode.store.log("alcove")[-1].calibration is None
        keeper.send(f"{where}/reply")
        text = keeper.done(where)
        assert "Kept as" in text and "--undo" not in text
        entry = electrode.store.log("alcove")[-1]
        assert entry.calibration is not None and [p.mv for p in entry.calibration.points] == [3.0, 180.48]
        assert not in_hand(electrode.store).get("alcove")
        row = electrode.store._one("SELECT actor FROM keeper_log WHERE id = ?", (entry.id,))
        assert row is not None and row[0] == "Ola"
        # its history, and the way back
        text = keeper.read("/tank/alcove/jobs/calibrate")
        assert "The electrode was calibrated 0 days ago: due again in" in text
        keeper.send("/do/undo", tank="alcove", entry=str(entry.id))
        assert electrode.store.log("alcove")[-1].calibration is None
        assert "None yet." in keeper.read("/tank/alcove/jobs/calibrate")
    finally:
        served.page.stop()


def test_a_calibration_that_is_stopped_keeps_nothing_and_gives_the_probe_back(electrode: Electrode) -> None:
    served = Served(electrode.settings, lambda: True, now_ms)
    try:
        keeper = Keeper(served)
        for ends in ("by its keeper", "with the page"):
            where = keeper.begin("calibrate", form="calibrate ph", buffer="7.00", celsius="25")
            wait_for(lambda at=where: "buffer 7.00" in keeper.ask(at)[2], "the question", 30)  # type: ignore[misc]
            assert "alcove" in in_hand(electrode.store)
            if ends == "by its keeper":
                keeper.send(f"{where}/stop")
                assert "stopped before its end; nothing was kept" in keeper.done(where)
            else:
                served.page.stop()
            wait_for(lambda: not in_hand(electrode.store).get("alcove"), "the probe to be given back", 10)
        assert all(entry.calibration is None for entry in electrode.store.log("alcove"))
    finally:
        served.page.stop()


def test_an_alarm_is_tried_from_the_page_and_counts_for_leaving(tmp_path: Path) -> None:
    watched = Watched(tmp_path)
    try:
        with ServiceLock(watched.settings.store_path()):
            keeper = Keeper(watched)
            where = keeper.begin("try", alarm="co2-overdose")
            text = keeper.done(where)
            assert "Raised as a test; it ends by itself." in text and "rushlight acknowledge" not in text
            found = re.search(r'href="/alarm/([^"]+)">Answer it here', keeper.ask(where)[2])
            assert found and "This is a test alarm: nothing is wrong." in keeper.read(f"/alarm/{found[1]}")
            status, _, _ = keeper.send("/do/acknowledge", alarm=unquote(found[1]), back="/")
            assert status == 303
            text = keeper.done(keeper.begin("away", **{"from": day(1), "to": day(3)}))
            assert "fine alarm to the phone tested and answered on" in text
            assert "fine service running" in text
            text = keeper.done(keeper.begin("try", alarm="light-missing", quantity="ph"))
            assert "Not done: " in text
    finally:
        watched.close()


WAITS = "import sys, time; sys.stdin.readline(); print('no line of ours', flush=True); time.sleep(60)"
ENDS = (
    "import json, os, sys; order = json.loads(sys.stdin.readline());"
    "print(json.dumps({'line': order['fields']['say'] + ' ' + os.environ.get('LOGNAME', '')}));"
    "print('[1, 2]'); open(order['folder'] + '/made.txt', 'w').write('made'); sys.exit(int(order['tank']))"
)


def test_a_program_that_hangs_or_breaks_takes_nothing_with_it(tmp_path: Path) -> None:
    errands = Errands("x.toml", now_ms, timeout_s=0.5, program=[sys.executable, "-c", WAITS])
    first = errands.begin("report", "0", "Ola", {})
    assert first.ended.wait(20) and first.fault and first.lines == []
    errands.close()
    ended = Errands("x.toml", now_ms, program=[sys.executable, "-c", ENDS])
    good, bad = (ended.begin("report", tank, "Ola", {"say": "well"}) for tank in ("0", "3"))
    assert good.ended.wait(20) and bad.ended.wait(20)
    assert (good.fault, good.lines, good.files()) == ("", ["well Ola"], ["made.txt"])
    assert "the service's log says why" in bad.fault
    folder = good.folder
    ended.close()
    assert not folder.exists()
    with pytest.raises(Denied):
        ended.begin("report", "0", "Ola", {})


def test_only_so_many_at_a_time_and_one_after_the_other(tmp_path: Path) -> None:
    errands = Errands("x.toml", now_ms, program=[sys.executable, "-c", WAITS])
    try:
        begun = [errands.begin("report", "0", "Ola", {}) for _ in range(MOST_AT_A_TIME)]
        wait_for(lambda: any(one.process for one in begun), "the first to be worked on")
        time.sleep(0.3)
        assert sum(one.process is not None for one in begun) == 1
        with pytest.raises(Denied) as refused:
            errands.begin("report", "0", "Ola", {})
        assert refused.value.status == 429  # RFC 6585, section 4
        errands.stop(begun[0])
        assert begun[0].ended.wait(5)
        errands.begin("report", "0", "Ola", {})  # there is room again
        pids = [one.process.pid for one in begun if one.process is not None]
    finally:
        errands.close()
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_markup_in_names_and_words_is_text_on_these_pages_too(tmp_path: Path) -> None:
    world_by_the_wall(tmp_path, now_ms(), days=1)
    path = tmp_path / "rushlight.toml"
    path.write_text(settings_text(early_afternoon(now_ms())).replace('"Alcove, the long one"', f"'{HARM}'"))
    served = Served(load_settings(str(path)), lambda: True, now_ms)
    try:
        keeper = Keeper(served)
        where = keeper.begin("away", **{"from": day(1), "to": day(3), "feed": HARM, "call": HARM})
        keeper.done(where)
        wrong = keeper.begin("move", temperature=HARM)
        keeper.done(wrong)
        for at in ("/tank/alcove/jobs", "/tank/alcove/jobs/move", where, wrong, "/tank/alcove/sheet"):
            text = keeper.ask(at)[2]
            assert "&lt;img src=x" in text, at
            assert "<img src=x" not in text and "<script>document" not in text, at
        page = keeper.file(where, "sheet.html").decode()
        assert "<img src=x" not in page and "&lt;img src=x" in page
    finally:
        served.page.stop()


def test_every_option_of_a_job_has_a_field() -> None:
    # those that make no sense on a page, or have a button of their own there
    own = {"config", "part", "sheet", "link", "follow", "paper", "send", "month", "history", "undo", "help"}
    own |= {"buffer", "point", "sitter", "tank"}
    from rushlight.analysis.commands.main import cli

    settings = parse_settings(SETTINGS, "x.toml")
    for kind in TITLES:
        fields = {field.name for form in form_of(kind, settings, "alcove", {}) for field in form.fields}
        options = {
            option.removeprefix("--")
            for parameter in cli.commands[kind].params
            for option in parameter.opts
            if option.startswith("--")
        }
        named = {"to"} if kind == "bundle" else set()  # the file's name: the browser asks
        assert options - own - named - fields == set(), kind
        forms = form_of(kind, settings, "alcove", {})
        for name in options & fields:
            assert "--" not in in_the_forms_words(f"--{name}: is wrong", forms)


def test_a_new_tanks_first_month_is_followed_on_the_page(tmp_path: Path) -> None:
    begun = datetime.datetime.now(datetime.UTC).date() - datetime.timedelta(days=4)
    text = settings_text(early_afternoon(now_ms())).replace(
        'title = "Under the stairs"', f'title = "Under the stairs"\nstarted = {begun}'
    )
    settings = world_by_the_wall(tmp_path, now_ms(), days=1)
    assert new_tank_lines(settings, "stairs", [], now_ms()) == []
    new = parse_settings(text, settings.path)
    served = Served(new, lambda: True, now_ms)
    try:
        keeper = Keeper(served)
        for path in ("/", "/tank/stairs"):
            text = keeper.read(path)
            assert "New tank: day 5 of" in text and "Due: test ammonia" in text, path
            assert "Animals can't go in yet" in text and "(rushlight note" not in text
        assert "New tank" not in keeper.read("/tank/alcove")
    finally:
        served.page.stop()
