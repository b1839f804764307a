"""A week or a month on paper, and a moment in one file."""

from __future__ import annotations

import sys
from importlib.metadata import PackageNotFoundError, version

from rushlight.analysis.errands.talk import Order, Talk
from rushlight.analysis.errands.typed import number
from rushlight.analysis.periodic.job import report_lines
from rushlight.analysis.replay.around import moment_in
from rushlight.analysis.replay.bundle import write_bundle
from rushlight.analysis.replay.sources import open_readings
from rushlight.analysis.service.log_input import log_store
from rushlight.collector.errors import SettingsError
from rushlight.collector.service.listener import system_clock
from rushlight.collector.settings import Settings

__all__ = ["bundle", "report"]

_LAMPS = ("led", "fluorescent", "metal-halide", "incandescent", "sun")


def report(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight report`."""
    days = 30 if order.text("span") == "month" else 7
    lamp = order.text("lamp") or "led"
    if lamp not in _LAMPS:
        raise SettingsError(f"--lamp: one of {', '.join(_LAMPS)}")
    paper = str(order.place("report"))
    for line in report_lines(settings, order.tank, days, order.text("to"), paper, lamp, False):
        if not line.endswith(": written"):  # the page offers the files
            talk.line(line)


def bundle(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight bundle`."""
    hours, days = number(order, "hours", 0.1, 336), number(order, "days", 0, 60)
    try:
        around_ms = moment_in(order.text("around") or "", settings.tanks[order.tank].timezone)
    except ValueError as error:
        raise SettingsError(f"--around: {error}") from None
    target = order.place(f"moment-{around_ms // 1000}.zip")
    try:
        made_by = version("rushlight")
    except PackageNotFoundError:
        made_by = "not installed"
    with (
        log_store(settings, order.tank, read_only=True) as store,
        open_readings(settings, store, sys.stderr) as source,
    ):
        count, recording = write_bundle(
            settings,
            source,
            order.tank,
            store.log(order.tank),
            store.events(tank=order.tank),
            around_ms,
            system_clock(),
            target,
            hours=6.0 if hours is None else hours,
            warm_up_days=14.0 if days is None else days,
            version=made_by,
        )
    talk.tell(answer=f"{count} readings, {target.stat().st_size / 1e6:.1f} MB.")
    talk.line(f"Their replay gives {len(recording.events)} events in that span.")
    talk.line("Names, addresses and your own words are not in it. Look into it before you give it away.")
