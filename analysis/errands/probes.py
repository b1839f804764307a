"""A calibration, live or typed, and what all of them come to."""

from __future__ import annotations

import msgspec

from rushlight.analysis.alarms.cautions import CAUTIONS
from rushlight.analysis.calibration import job
from rushlight.analysis.calibration.session import Person
from rushlight.analysis.errands.talk import Order, Talk
from rushlight.analysis.errands.typed import number, temperature
from rushlight.collector.errors import SettingsError
from rushlight.collector.settings import Settings

__all__ = ["calibrate", "calibrations"]


def calibrate(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight calibrate`: asks, waits for a steady reading, and asks again before it keeps anything."""
    what = order.text("what") or ""
    ice = order.text("ice") is not None
    reference = _level(settings, order, "reference", what)
    points = tuple((order.text("points") or "").split())
    buffers = tuple(one for name in ("buffer", "buffer2", "buffer3") if (one := order.text(name)))
    if what == "ph" and bool(buffers) == bool(points):
        raise SettingsError("ph: give --buffer for each buffer, or --point for each typed one")
    if what == "temperature" and ice == (reference is not None):
        raise SettingsError("give --reference, or choose the ice bath")
    if what == "light" and reference is None:
        raise SettingsError("--reference: what a lux meter shows beside the sensor")
    asked = job.Asked(
        order.tank,
        what,
        buffers,
        points,
        temperature(order, "celsius", settings),
        ice,
        reference,
        _level(settings, order, "value", what),
        (order.text("at") or "").replace("T", " ") or None if points else None,
    )

    def say(text: str) -> None:
        if text in CAUTIONS.values():
            talk.tell(caution=text)
        else:
            talk.line(text)

    def celsius(text: str) -> float:
        while True:
            reply = msgspec.structs.replace(order, fields={"celsius": talk.ask(text)})
            try:
                found = temperature(reply, "celsius", settings)
            except SettingsError as error:
                talk.line(f"{error}")
                continue
            if found is not None and 0 <= found <= 50:  # the buffers' tables
                return found

    for line in job.calibrate(settings, asked, Person(say, talk.ready, celsius)):
        if line.startswith("kept as"):
            talk.tell(answer=line)
        elif "--undo" not in line:  # the page has a button for that
            talk.line(line)


def calibrations(settings: Settings, order: Order, talk: Talk) -> None:
    """As `rushlight calibrate TANK --history`."""
    for line in job.history(settings, order.tank):
        talk.line(line)


def _level(settings: Settings, order: Order, name: str, what: str) -> float | None:
    return temperature(order, name, settings) if what == "temperature" else number(order, name, 0, 300_000)
