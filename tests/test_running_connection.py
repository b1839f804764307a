"""How the running service's own connections write: what was acknowledged must outlive a power cut."""

from __future__ import annotations

import signal
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from rushlight.analysis.service.run import run_service
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import parse_settings
from tests.conftest import free_port, wait_for
from tests.running_service import TANK, mqtt_link

# SQLite's manual, PRAGMA synchronous: 2 is FULL. In WAL mode NORMAL (1) may lose the last commits at a power
# cut, OFF (0) may damage the file (from memory).
FULL = 2


def test_every_connection_of_the_running_service_syncs_each_commit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[sqlite3.Connection] = []
    found: list[tuple[int, str]] = []
    connect = sqlite3.connect

    def noted(*arguments: Any, **more: Any) -> sqlite3.Connection:
        opened.append(connect(*arguments, **more))
        return opened[-1]

    def looked_at(self: CollectorService) -> bool:
        """In the place of collecting: everything of the service is up by now, its store open."""
        wait_for(lambda: len(opened) >= 2, "the collecting thread's connection and the notices'")

        def pragmas(db: sqlite3.Connection) -> tuple[int, str]:
            synchronous, mode = (
                db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("synchronous", "journal_mode")
            )
            return int(synchronous), str(mode)

        wait_for(lambda: all(pragmas(db) == (FULL, "wal") for db in opened), f"{FULL}, wal", seconds=5)
        found.extend(pragmas(db) for db in opened)
        return True

    monkeypatch.setattr(sqlite3, "connect", noted)
    monkeypatch.setattr(CollectorService, "run", looked_at)
    monkeypatch.setenv("RUSHLIGHT_NOTICE_URLS", f"json://127.0.0.1:{free_port()}/")
    text = mqtt_link(free_port()) + "[status_page]\nenabled = false\n" + TANK
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        assert run_service(parse_settings(text, str(tmp_path / "rushlight.toml")))
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert len(found) >= 2
    assert set(found) == {(FULL, "wal")}
