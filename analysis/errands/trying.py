"""A marked test alarm on the whole way to the phone."""

from __future__ import annotations

from rushlight.analysis.errands.talk import Order, Talk
from rushlight.analysis.service.alarm_trial import try_alarm
from rushlight.collector.settings import Settings

__all__ = ["try_"]


def try_(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight try`; it is answered from the notice's link or from here."""

    def tell(line: str) -> None:
        name, at, _ = line.partition(": raised as a test")
        if at:
            talk.tell(answer="Raised as a test; it ends by itself. Acknowledge it to try that too.")
            talk.tell(alarm=name)
        elif "rushlight acknowledge" not in line:  # the page has a button for that
            talk.line(line)

    try_alarm(settings, order.tank, order.text("alarm") or "", order.text("quantity") or "", tell)
