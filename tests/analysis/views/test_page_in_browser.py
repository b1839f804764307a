"""The page as people use it: a real Chromium, a real service behind it where it has to answer."""

from __future__ import annotations

import datetime
import os
import re
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Request, expect, sync_playwright

from rushlight.analysis.service.live import LiveAnalysis
from rushlight.analysis.service.run import make_notifier
from rushlight.analysis.views.page import StatusPage
from rushlight.collector.readings import Flag, Reading
from rushlight.collector.settings import Settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.page_world import PASSWORD, world_by_the_wall
from tests.conftest import wait_for

PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 900}
AXE = Axe()
SMALL = """
() => Array.from(document.querySelectorAll("button, .button, nav a, summary, select, textarea, input"))
  .filter((e) => e.offsetParent && e.type !== "hidden")
  .map((e) => (e.labels && e.labels[0] && e.labels[0].contains(e) ? e.labels[0] : e))
  .filter((e) => e.getBoundingClientRect().height < 44)
  .map((e) => e.outerHTML.slice(0, 90))
"""
WORKERS = "() => navigator.serviceWorker ? navigator.serviceWorker.getRegistrations() : []"


def now_ms() -> int:
    return time.time_ns() // 1_000_000


class Watched:
    """Two tanks, a page, and a listener that does what the service's loop does: carry out what is asked."""

    def __init__(self, folder: Path, warm_hours: float = 0) -> None:
        self.settings: Settings = world_by_the_wall(folder, now_ms(), 4, warm_hours)
        self._stop = threading.Event()
        self.live = LiveAnalysis(self.settings, make_notifier(self.settings, now_ms), now_ms)
        self.store = EmbeddedStore(self.settings.store_path(), synchronous="OFF")
        self.live.start(self.store, now_ms())
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self.serve(0)

    def serve(self, port: int) -> None:
        self.settings.status_page.port = port
        self.page = StatusPage(self.settings, self.settings.store_path(), now_ms, lambda: True)
        assert self.page.start()
        self.url = self.page.url
        self.port = int(self.url.rstrip("/").rpartition(":")[2])

    def _run(self) -> None:
        while not self._stop.wait(0.1):
            self.live.poll(self.store, now_ms())
            if self.live.wants(now_ms()):
                self.keep()

    def keep(self) -> None:
        with self.store.transaction():
            self.live.keep(self.store, now_ms(), False)
        self.live.kept(now_ms())

    def read(self, celsius: float) -> None:
        """A new reading of the second tank."""
        reading = Reading("stairs", "temperature", now_ms(), celsius, Flag.PASS, -1)
        self.live.take([reading], now_ms())
        with self.store.transaction():
            self.store.add_readings([reading])

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self.page.stop()
        self.store.close()


@pytest.fixture(scope="module")
def chrome() -> Iterator[Browser]:
    names = ("/usr/bin/chromium", "/usr/bin/chromium-browser")
    path = next((name for name in names if os.access(name, os.X_OK)), None)
    if path is None:
        pytest.exit("the tests need a real browser: apt-get install chromium", returncode=1)
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield made
        made.close()


@pytest.fixture(scope="module")
def warm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watched]:
    made = Watched(tmp_path_factory.mktemp("warm"), warm_hours=3)
    yield made
    made.close()


@pytest.fixture
def look(chrome: Browser) -> Iterator[Callable[..., Page]]:
    """A page of its own, which fails its test where the browser complains or asks elsewhere."""
    contexts = []
    faults: list[str] = []

    def open_(watched: Watched, size: Any = PHONE, login: bool = True, **more: Any) -> Page:
        context = chrome.new_context(viewport=size, **more)
        contexts.append(context)

        def asked_elsewhere(asked: Request) -> None:
            if not asked.url.startswith((watched.url, "data:")):
                faults.append(asked.url)

        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(f"error: {error}"))
        page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
        page.on("request", asked_elsewhere)
        page.goto(watched.url)
        if login:
            page.fill("[name=name]", "Ola")
            page.fill("[name=password]", PASSWORD)
            page.click("button.main")
            page.wait_for_selector("#now")
        return page

    yield open_
    for context in contexts:
        context.close()
    # a broken connection is the one thing that a test brings about on purpose
    meant = ("ERR_CONNECTION", "ERR_INCOMPLETE", "ERR_EMPTY")
    assert [fault for fault in faults if not any(word in fault for word in meant)] == []


def serious(page: Page) -> list[str]:
    """What axe finds that keeps people out (WCAG 2.1 A and AA)."""
    found = AXE.run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]})
    return [
        f"{one['id']}: {one['nodes'][0]['html'][:120]}"
        for one in found.response["violations"]
        if one["impact"] in ("serious", "critical", "moderate")
    ]


@pytest.mark.timeout(300)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK])
def test_each_view_can_be_used_by_anybody(
    warm: Watched, look: Callable[..., Page], size: Any, scheme: str
) -> None:
    page = look(warm, size, login=False, color_scheme=scheme)
    assert serious(page) == [], "login"
    page.fill("[name=password]", PASSWORD)
    page.click("button.main")
    page.wait_for_selector("#now")
    alarm = page.locator(".alarm h2 a").first.get_attribute("href")
    jobs = [f"tank/alcove/jobs{one}" for one in ("", "/away", "/move", "/calibrate", "/report", "/bundle")]
    for path in ("", "tank/alcove", "history", "people", (alarm or "")[1:], *jobs, "tank/alcove/sheet"):
        page.goto(warm.url + path)
        if path == "tank/alcove":
            page.wait_for_selector("#plots[data-drawn=day]")
            assert page.locator(".plot").count() == 4  # temperature, pH, CO2, light
        assert serious(page) == [], path
        # nothing sticks out sideways, and a finger finds each target: WCAG 2.5.5 asks for 44 px
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
        assert page.evaluate(SMALL) == [], path
    back = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (back == "rgb(251, 248, 241)") is (scheme == "light")


@pytest.mark.timeout(120)
def test_an_alarm_is_answered_with_one_button(tmp_path: Path, look: Callable[..., Page]) -> None:
    watched = Watched(tmp_path, warm_hours=3)
    try:
        page = look(watched)
        first = page.locator("article.alarm.critical")
        expect(first).to_be_in_viewport()  # on a phone, without scrolling
        first.get_by_role("link", name="All steps").click()
        expect(page.locator("h1")).to_contain_text("heater stuck on", ignore_case=True)
        expect(page.locator("ol li").first).to_contain_text("Unplug the heater at the wall")
        page.get_by_role("button", name="I have seen it").click()
        expect(page.locator(".said")).to_contain_text("acknowledged")
        expect(page.locator("#now")).to_contain_text("Acknowledged, raised")
        expect(page.get_by_role("button", name="I have seen it")).to_have_count(0)
        name = page.url.partition("/alarm/")[2].replace("%3A", ":")
        last = watched.store.events(occurrence=name)[-1]
        assert (last.event, last.actor) == ("acknowledged", "Ola")
        # whether it was right
        page.get_by_label("It was something else").check()
        page.get_by_label("What it was").fill("a dial knocked by the hoover")
        page.get_by_role("button", name="Note it").click()
        expect(page.locator("body")).to_contain_text("it was a dial knocked by the hoover")
        page.goto(watched.url)
        expect(page.locator("article.alarm.critical")).to_contain_text("Ola has seen it")
        page.goto(watched.url + "history")
        expect(page.locator("li", has_text="eater stuck on")).to_contain_text("Ola has seen it")
    finally:
        watched.close()


@pytest.mark.timeout(120)
def test_a_water_change_is_noted_and_the_analysis_takes_it(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm)
    page.goto(warm.url + "tank/alcove")
    seen = warm.live.watches["alcove"].state.log.seen
    page.get_by_label("How much").fill("28")
    page.get_by_label("litres").check()
    page.get_by_label("Cleaned").check()
    page.get_by_label("KH, dKH").fill("4,5")
    page.get_by_label("In your words").fill("new wool")
    page.get_by_role("button", name="Note it").click()
    said = page.locator("#log li").first
    expect(said).to_contain_text("KH 4.5 dKH; changed 25 % of the water; cleaned; new wool")  # 28 of 112 L
    wait_for(lambda: warm.live.watches["alcove"].state.log.seen > seen, "the analysis to take it")
    entry = warm.store.log("alcove")[-1]
    assert (entry.changed_share, entry.tests, entry.done) == (0.25, {"kh": 4.5}, ("cleaned",))
    # taken back
    seen = warm.live.watches["alcove"].state.log.seen
    said.get_by_role("button", name="Undo").click()
    expect(page.locator(".said")).to_contain_text("Undone")
    wait_for(lambda: warm.live.watches["alcove"].state.log.seen > seen, "the analysis to take it back")
    # what can't be is said, and nothing is kept
    page.get_by_label("KH, dKH").fill("90")
    page.get_by_role("button", name="Note it").click()
    expect(page.locator(".said.refused")).to_contain_text("must be from 0 to 40 dKH")
    assert warm.store.log("alcove")[-1].id != entry.id


@pytest.mark.timeout(180)
@pytest.mark.parametrize("script", [True, False])
def test_a_job_is_followed_to_its_end(warm: Watched, look: Callable[..., Page], script: bool) -> None:
    page = look(warm, java_script_enabled=script)
    page.goto(warm.url + "tank/alcove")
    page.get_by_role("link", name="Jobs: leave home").click()
    page.get_by_role("link", name="Leave home").first.click()
    today = datetime.date.today()
    page.get_by_label("The day you leave").fill(f"{today + datetime.timedelta(days=1)}")
    page.get_by_label("The day you are back").fill(f"{today + datetime.timedelta(days=6)}")
    page.get_by_label("What to feed").fill("Twice a pinch.")
    page.get_by_role("button", name="Look at all points").click()
    # it says what it comes to without a hand being moved
    expect(page.locator(".result")).to_contain_text("DON'T LEAVE", timeout=60_000)
    stay = page.locator(".points .dont-leave", has_text="alarms")
    expect(stay).to_contain_text("1 active; heater stuck on")
    if script:
        assert serious(page) == [] and page.evaluate(SMALL) == []
    page.get_by_role("link", name="The sitter’s sheet").click()
    expect(page.locator("main")).to_contain_text("Twice a pinch.")


@pytest.mark.timeout(120)
def test_hands_in_the_tank_from_a_phone(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm)
    stairs = page.locator("section.tank", has_text="Under the stairs")
    stairs.get_by_role("button", name="Hands in the tank").click()
    expect(page.locator(".said")).to_contain_text("what hands cause is silent, what kills is not")
    expect(page.locator("section.tank", has_text="Under the stairs")).to_contain_text(
        "hands in the tank until"
    )
    page.get_by_role("button", name="Hands are out again").click()
    expect(page.locator(".said")).to_contain_text("what they had silenced speaks again")


@pytest.mark.timeout(120)
def test_what_changes_is_shown_without_loading_anew(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm)
    page.evaluate("window.same = true")
    time.sleep(0.5)
    warm.read(22.75)
    expect(page.locator("#now")).to_contain_text("22.75 °C", timeout=15_000)
    assert page.evaluate("window.same")
    # the age goes on by itself
    expect(
        page.locator("section.tank", has_text="Under the stairs").locator("time.age").first
    ).to_contain_text(re.compile(r"[3-9] s ago"), timeout=15_000)


@pytest.mark.timeout(120)
def test_a_broken_connection_is_said_with_the_age_of_the_numbers(
    tmp_path: Path, look: Callable[..., Page]
) -> None:
    watched = Watched(tmp_path)
    try:
        page = look(watched)
        expect(page.locator("#lost")).to_be_hidden()
        watched.page.stop()
        expect(page.locator("#lost")).to_contain_text("No connection to Rushlight since", timeout=30_000)
        expect(page.locator("#lost")).to_contain_text(re.compile(r"What you see is \d+ s old"))
        expect(page.locator("#now")).to_contain_text("Under the stairs")  # what was there stays
        watched.serve(watched.port)
        expect(page.locator("#lost")).to_be_hidden(timeout=30_000)
    finally:
        watched.close()


@pytest.mark.timeout(120)
def test_by_the_keyboard_alone(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm, DESK, login=False)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.locator("[name=name]").focus()
    page.keyboard.type("Ola")
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("#now")
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "All steps":
            break
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"  # where one is can be seen
    page.keyboard.press("Enter")
    page.wait_for_url("**/alarm/**")


@pytest.mark.timeout(60)
def test_without_javascript_all_can_be_done(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm, java_script_enabled=False)
    expect(page.locator("#now")).to_contain_text("Alcove")
    page.goto(warm.url + "tank/stairs")
    page.get_by_label("In your words").fill("a new leaf")
    page.get_by_role("button", name="Note it").click()
    expect(page.locator("#log")).to_contain_text("a new leaf")


@pytest.mark.timeout(120)
def test_the_curves_of_each_span_are_drawn_and_marked(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm, DESK)
    page.goto(warm.url + "tank/alcove")
    for span in ("day", "week", "month", "year"):
        page.click(f"[data-span={span}]")
        page.wait_for_selector(f"#plots[data-drawn={span}]")
        assert page.locator(".plot canvas").count() == 4
    page.get_by_text("What is marked in the curves").click()
    expect(page.locator("#marks")).to_contain_text("changed 25 % of the water")
    expect(page.locator("#marks a").first).to_have_attribute("href", re.compile("^/alarm/alcove/"))


def test_it_can_be_put_on_a_home_screen(warm: Watched, look: Callable[..., Page]) -> None:
    page = look(warm)
    assert page.locator("link[rel=manifest]").count() == 1
    manifest = page.evaluate("fetch('/manifest.webmanifest').then((answer) => answer.json())")
    # W3C Web Application Manifest
    assert manifest["start_url"] == "/" and manifest["display"] == "standalone" and manifest["icons"]
    # no old numbers as new: nothing keeps them
    assert page.evaluate(WORKERS) == []
