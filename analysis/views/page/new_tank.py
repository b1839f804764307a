"""What is due in a new tank's first month, as the page says it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rushlight.analysis.views.first_month import first_month_lines
from rushlight.collector.settings import Settings
from rushlight.collector.store.log_entry import LogEntry

__all__ = ["new_tank_lines"]

_COMMAND = re.compile(r" \(rushlight note [^)]*\)")


def new_tank_lines(settings: Settings, name: str, log: Sequence[LogEntry], now_ms: int) -> list[str]:
    """The lines of `rushlight status` without the command: the page has a form. Empty for an older tank."""
    tank = settings.tanks.get(name)
    if tank is None or tank.started is None:
        return []
    return [_COMMAND.sub("", line) for line in first_month_lines(name, tank, log, now_ms)]
