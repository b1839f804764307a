"""Signals that come while the service is being put together."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rushlight.analysis.service import run
from rushlight.analysis.service.reload import Reloader
from rushlight.collector.service.loop import CollectorService
from rushlight.collector.settings import Settings, parse_settings
from rushlight.collector.store.service_lock import ServiceLock

SETTINGS = """
[[links]]
kind = "serial"
port = "/dev/none"
[status_page]
enabled = false
[tanks.sill]
volume_litres = 30
timezone = "Europe/Rome"
[tanks.sill.livestock]
temperature_low_c = 18
temperature_high_c = 26
"""


@pytest.fixture
def settings(tmp_path: Path) -> Iterator[Settings]:
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)}
    yield parse_settings(SETTINGS, str(tmp_path / "rushlight.toml"))
    for number, handler in before.items():
        signal.signal(number, handler)


def comes_at_the_start(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    start = run.LiveAnalysis.start

    def starting(*given: object) -> None:
        os.kill(os.getpid(), number)
        time.sleep(0.01)  # a signal is handled between two steps of Python
        start(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(run.LiveAnalysis, "start", starting)


def test_an_end_that_is_asked_for_early_is_a_good_one(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    comes_at_the_start(monkeypatch, signal.SIGTERM)
    with pytest.raises(SystemExit) as ended:
        run.run_service(settings)
    assert ended.value.code == 0
    with ServiceLock(settings.store_path()):
        pass  # the store is let go of


def test_a_reload_that_is_asked_for_early_ends_nothing_and_is_done(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    comes_at_the_start(monkeypatch, signal.SIGHUP)
    monkeypatch.setattr(Reloader, "ask", lambda self: asked.append(1))
    monkeypatch.setattr(CollectorService, "run", lambda self: True)
    assert run.run_service(settings)
    assert asked == [1]
