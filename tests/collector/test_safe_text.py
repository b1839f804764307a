"""Nothing from outside reaches a terminal, a log or the page with control characters in it."""

from __future__ import annotations

import io
import json
import logging
import re
import sqlite3
import subprocess
import sys
import unicodedata
import urllib.request
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight.analysis.views.page import StatusPage
from rushlight.analysis.views.status import print_status
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.reports import printable
from rushlight.collector.log import ClearLog, SafeFormatter
from rushlight.collector.readings import Reading
from rushlight.collector.safe_text import has_control, safe_lines, safe_text
from rushlight.collector.settings import parse_settings
from rushlight.collector.store.embedded import EmbeddedStore
from tests.conftest import now_ms

ROOT = Path(__file__).parents[2]
ESC = "\x1b[2J\x1b]0;owned\x07\u202e\r\nWARNING all is well"
# Unicode 15.0, PropList.txt: Bidi_Control
BIDI = {0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)}
SETTINGS = """
[[links]]
kind = "mqtt"
[[links.map]]
topic = "loft/#"
tank = "loft"
quantity = "temperature"
[tanks.loft]
volume_litres = 60
timezone = "UTC"
[tanks.loft.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""


def unsafe(text: str) -> list[str]:
    return [c for c in text if unicodedata.category(c) in ("Cc", "Zl", "Zp", "Cs") or ord(c) in BIDI]


@given(st.text())
def test_no_control_character_is_left_and_all_else_stays(text: str) -> None:
    assert unsafe(safe_text(text)) == []
    assert [c for c in unsafe(safe_lines(text)) if c not in "\n\t"] == []
    assert has_control(text) == bool(unsafe(text))
    if not unsafe(text):
        assert safe_text(text) == safe_lines(text) == text


def test_they_are_shown_as_what_they_are() -> None:
    assert safe_text("a\x1b[31m\n\u202eé 🐟") == "a\\x1b[31m\\x0a\\u202eé 🐟"
    assert safe_text("abcdef", 3) == printable("abcdef", 3) == "abc…"
    assert safe_text("abc", 3) == "abc"


@given(st.text(), st.text())
def test_a_log_line_is_one_line(message: str, said: str) -> None:
    record = logging.LogRecord("x", logging.WARNING, "", 0, "%s: %s", (message, said), None)
    assert unsafe(SafeFormatter("%(levelname)s %(message)s").format(record)) == []


def test_a_traceback_keeps_its_lines_and_nothing_else() -> None:
    try:
        raise ValueError(ESC)
    except ValueError:
        record = logging.LogRecord("x", logging.ERROR, "", 0, "%s", (ESC,), sys.exc_info())
    lines = SafeFormatter("%(message)s").format(record)
    assert set(unsafe(lines)) == {"\n"}
    assert lines.splitlines()[0].endswith("all is well") and "Traceback" in lines


def test_the_log_of_run_is_set_up_by_it() -> None:
    code = (
        "import logging, sys; from rushlight.collector.log import log_to\n"
        "log_to(sys.stderr, logging.INFO); logging.getLogger('a').info('%s', 'x\\x1by\\nz')"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.stderr.endswith("INFO x\\x1by\\x0az\n")
    assert "log_to(sys.stderr" in (ROOT / "analysis/commands/run.py").read_text()


def test_commands_print_through_the_one_door() -> None:
    for path in sorted((ROOT / "analysis/commands").glob("*.py")):
        used = re.findall(r"click\.(?:echo|secho)\(", path.read_text())
        assert len(used) == (path.name == "options.py"), f"{path.name}: use options.say"


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        (f"rushlight/{ESC}/readings", b'[{"n":"temperature","v":21}]'),
        ("rushlight/loft/device", ESC.encode()),
        (f"rushlight/{ESC}/device", ESC.encode()),
        (f"loft/{ESC}", ESC.encode()),
        (f"loft/{ESC}", b"x" * 70_000),
        (ESC, b"1"),
        ("rushlight/loft/readings", json.dumps([{"bn": ESC + "/", "n": "temperature", "v": 1}]).encode()),
        ("rushlight/loft/readings", json.dumps([{"bn": "loft/", "n": ESC, "v": 1}]).encode()),
        ("rushlight/loft/readings", json.dumps([{"n": "temperature", "u": ESC, "v": 1}]).encode()),
        ("rushlight/loft/readings", json.dumps([{"n": "temperature", "v": ESC}]).encode()),
        ("rushlight/loft/readings", json.dumps([{"n": "temperature", "v": 1, ESC + "_": 1}]).encode()),
        ("rushlight/loft/readings", ESC.encode()),
        (None, json.dumps([{"bn": ESC + "/", "n": "temperature", "v": 1}]).encode()),
    ],
)
def test_nothing_on_the_wire_gets_a_control_character_out(
    topic: str | None, payload: bytes, tmp_path: Path
) -> None:
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(SafeFormatter("%(message)s"))
    logger = logging.getLogger("rushlight.safe-test")
    logger.addHandler(handler)
    settings = parse_settings(SETTINGS, str(tmp_path / "rushlight.toml"))
    maker = BatchMaker(settings, ClearLog(logger, now_ms))
    batch = maker.make([Arrival(0, Delivery("broker", topic, payload, now_ms()))])
    logger.removeHandler(handler)
    assert batch.readings == [] and len(out.getvalue().splitlines()) == 1
    assert unsafe(out.getvalue()[:-1]) == []
    with EmbeddedStore(settings.store_path()) as store:
        with store.transaction():
            batch.write(store)
        shown = io.StringIO()
        print_status(settings, store, now_ms(), shown)
    assert set(unsafe(shown.getvalue())) == {"\n"}
    page = shown_page(settings.store_path())
    assert set(unsafe(page)) <= {"\n"}


def shown_page(path: Path) -> str:
    settings = parse_settings(SETTINGS + "[status_page]\nport = 0\n", str(path.parent / "rushlight.toml"))
    page = StatusPage(settings, path, now_ms, lambda: True)
    assert page.start()
    try:
        with urllib.request.urlopen(page.url, timeout=20) as answer:
            return str(answer.read().decode())
    finally:
        page.stop()


def test_a_name_that_an_older_version_let_in_is_shown_safely(tmp_path: Path) -> None:
    settings = parse_settings(SETTINGS, str(tmp_path / "rushlight.toml"))
    with EmbeddedStore(settings.store_path()) as store, store.transaction():
        store.add_readings([Reading("loft", "temperature", now_ms(), 21.0, 1)])
    with sqlite3.connect(settings.store_path()) as db:
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        changed = 0
        for table in tables:
            columns = {row[1] for row in db.execute(f"PRAGMA table_info({table})")}
            if {"tank"} <= columns:
                changed += db.execute(f"UPDATE {table} SET tank = ?", (ESC,)).rowcount
        assert changed
    with EmbeddedStore(settings.store_path(), read_only=True) as store:
        assert store.tanks() == [ESC]
        shown = io.StringIO()
        print_status(settings, store, now_ms(), shown)
    assert "\\x1b[2J" in shown.getvalue() and set(unsafe(shown.getvalue())) == {"\n"}
    page = shown_page(settings.store_path())
    assert "\\x1b[2J" in page and set(unsafe(page)) <= {"\n"}
