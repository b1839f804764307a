"""Whom the running service reaches: a shell's environment says nothing of the service's own."""

from __future__ import annotations

import msgspec

from rushlight.analysis.notices.reach import Reach
from rushlight.analysis.service.requests import ask_of_tank
from rushlight.collector.errors import AlarmError
from rushlight.collector.settings import Settings

__all__ = ["reach_of_service"]


def reach_of_service(settings: Settings, tank: str) -> Reach:
    """Ask the running service.

    Raises
    ------
    RushlightError
        None runs, it has not answered, or it is of an older version.
    """
    text = ask_of_tank(settings, "reach", tank, {})
    try:
        return msgspec.json.decode(text, type=Reach)
    except msgspec.MsgspecError:
        raise AlarmError("the running service gives no answer that can be read: restart it") from None
