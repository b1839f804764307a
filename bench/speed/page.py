"""The page with a year of readings at 10 s: server time of each view, bytes on the wire, first paint, memory.

    python -m bench.speed.page [--browsers 5]

A store with a year of two tanks, `rushlight run` on it with the page on, and Chromium at it. Server time is
from the request to the last byte of the answer, on a kept connection; the first of each view, with nothing
kept in memory, and the median of ten later ones. First paint is what the browser says of itself (W3C Paint
Timing) with an empty cache; bytes are what went over the wire until all was loaded. Memory is the service's
resident set after the browsers have watched for a minute.
"""

from __future__ import annotations

import argparse
import http.client
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import psutil
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))

from rushlight.analysis.watch.judged_gas import GasRange, day_row
from rushlight.collector.store import codec
from rushlight.collector.store.columns import Columns
from rushlight.collector.store.day_sums import summaries_of
from rushlight.collector.store.embedded import EmbeddedStore
from tests.analysis.views.page_world import PASSWORD, world_by_the_wall
from tests.conftest import free_port

DAY_MS, STEP_MS = 86_400_000, 10_000
EPOCH = date(1970, 1, 1).toordinal()
GAS = day_row({slot: GasRange(9, 12 + slot / 9, 13 + slot / 9, 26) for slot in range(96)})
"""What was judged of the CO2 in a day."""
SPANS = ("day", "week", "month", "year")
VIEWS = (
    "/",
    "/tank/alcove",
    "/history",
    "/tank/alcove/jobs",
    "/tank/alcove/sheet",
    *(f"/tank/alcove/plot.json?span={span}" for span in SPANS),
)


def add_year(path: Path, now_ms: int) -> int:
    """A year before the last week, packed as the service packs it; how many readings."""
    last = now_ms // DAY_MS - 7
    count = 0
    with EmbeddedStore(path, synchronous="OFF") as store:
        for tank, quantity, level, swing in (
            ("alcove", "temperature", 24.0, 0.3),
            ("alcove", "ph", 6.9, 0.2),
            ("alcove", "light", 3000.0, 3000.0),
            ("stairs", "temperature", 21.0, 0.5),
        ):
            number = store._find_series(tank, quantity)
            for day in range(last - 360, last):
                times = np.arange(day * DAY_MS, (day + 1) * DAY_MS, STEP_MS, np.int64)
                rng = np.random.default_rng(day)
                values = (
                    level + swing * np.sin(times / DAY_MS * 2 * np.pi) + rng.normal(0, swing / 50, len(times))
                )
                ones = np.ones(len(times), np.int64)
                columns = Columns(times, np.round(values, 2), ones, np.arange(len(times)), 0 * ones)
                with store.transaction():
                    store._run(
                        "INSERT OR REPLACE INTO chunks (series, day, number, blob) VALUES (?, ?, ?, ?)",
                        (number, day, len(times), codec.encode(columns)),
                    )
                    for table, step in (("hourly", 3_600_000), ("daily", DAY_MS)):
                        store._run_many(
                            f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?, ?, ?, ?)",
                            [(number, *summary) for summary in summaries_of(columns, step)],
                        )
                count += len(times)
        for day in range(last - 360, last):
            store.save_state("judged-gas", f"alcove/{date.fromordinal(day + EPOCH)}", GAS, None)
        store.compact(now_ms)
    return count


def server_times(port: int) -> None:
    """Print them."""
    web = http.client.HTTPConnection("127.0.0.1", port, timeout=60)

    def ask(path: str, cookie: str = "", body: str | None = None) -> tuple[float, int, Any]:
        headers = {"Cookie": cookie, "Accept-Encoding": "gzip"}
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        began = time.perf_counter()
        web.request("GET" if body is None else "POST", path, body, headers)
        answer = web.getresponse()
        size = len(answer.read())
        return 1000 * (time.perf_counter() - began), size, answer

    answer = ask("/login", body=urlencode({"name": "bench", "password": PASSWORD}))[2]
    cookie = answer.headers["Set-Cookie"].partition(";")[0]
    print(f"{'view':36} {'first, ms':>10} {'later, ms':>10} {'bytes':>8}")
    for path in VIEWS:
        first, size, _ = ask(path, cookie)
        later = statistics.median(ask(path, cookie)[0] for _ in range(10))
        print(f"{path:36} {first:10.1f} {later:10.1f} {size:8}")
    web.close()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--browsers", type=int, default=5)
    browsers = parser.parse_args().browsers
    with tempfile.TemporaryDirectory() as folder:
        now, port = time.time_ns() // 1_000_000, free_port()
        began = time.perf_counter()
        settings = world_by_the_wall(Path(folder), now, days=7)
        count = add_year(settings.store_path(), now)
        size = settings.store_path().stat().st_size
        print(f"{count} readings of a year, {size / 1e6:.0f} MB, made in {time.perf_counter() - began:.0f} s")
        toml = Path(folder) / "rushlight.toml"
        link = '[[links]]\nkind = "mqtt"\nport = 1\n'
        toml.write_text(link + re.sub("port = 0", f"port = {port}", toml.read_text()))
        log = (Path(folder) / "log").open("wb")
        command = [sys.executable, "-m", "rushlight.analysis.commands.main", "run", "--config", str(toml)]
        own = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2] / "src")}
        service = subprocess.Popen(command, stderr=log, env=own)
        try:
            for _ in range(200):
                time.sleep(0.1)
                if b"status page is at" in (Path(folder) / "log").read_bytes():
                    break
            before = psutil.Process(service.pid).memory_info().rss
            server_times(port)
            in_browsers(f"http://127.0.0.1:{port}/", browsers)
            after = psutil.Process(service.pid).memory_info().rss
            print(
                f"memory: {before / 1e6:.0f} MB at the start, {after / 1e6:.0f} MB after {browsers} browsers"
            )
        finally:
            service.send_signal(signal.SIGTERM)
            service.wait(30)


def in_browsers(url: str, browsers: int) -> None:
    """First paint and bytes of the front, then so many that watch for a minute."""
    with sync_playwright() as playwright:
        chrome = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        for watcher in range(browsers):
            page = chrome.new_context(viewport={"width": 360, "height": 740}).new_page()
            page.goto(url)
            page.fill("[name=password]", PASSWORD)
            page.click("button.main")
            page.wait_for_selector("#now")
            if watcher:
                page.goto(url + "tank/alcove" if watcher % 2 else url)
                continue
            for path in ("", "tank/alcove"):
                session = page.context.new_cdp_session(page)
                session.send("Network.enable")
                session.send("Network.clearBrowserCache")
                session.send("Network.setCacheDisabled", {"cacheDisabled": True})
                wire = [0]

                def loaded(said: dict[str, Any], wire: list[int] = wire) -> None:
                    wire[0] += int(said["encodedDataLength"])

                session.on("Network.loadingFinished", loaded)
                page.goto(url + path, wait_until="load")
                page.wait_for_timeout(1500)
                paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
                print(
                    f"/{path}: first paint after {paint:.0f} ms, {wire[0] / 1000:.0f} kB on the wire in all"
                )
                session.detach()
        page.wait_for_timeout(60_000)
        chrome.close()


if __name__ == "__main__":
    main()
