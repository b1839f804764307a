"""What a device sends, payload by payload: the values, what is wrong, and the line that mends it."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from rushlight.analysis.views.refused import mending_line
from rushlight.collector.errors import WireError
from rushlight.collector.intake.batch import Arrival, BatchMaker
from rushlight.collector.intake.delivery import Delivery
from rushlight.collector.intake.refusals import REFUSED_STATE, Refusal, load_refusals
from rushlight.collector.intake.senml import decode_line, decode_pack
from rushlight.collector.log import ClearLog
from rushlight.collector.readings import QUANTITIES, Flag, Reading
from rushlight.collector.safe_text import safe_text
from rushlight.collector.settings import Settings

__all__ = ["HeardLines"]

_HEAD = 300  # characters of a payload that are shown
_FLAGS = {
    Flag.SUSPECT: "doubtful: it jumps, or is at the edge of what the probe can show",
    Flag.FAIL: "impossible for such a probe",
    Flag.MISSING: "the device could not read the probe",
}


class HeardLines:
    """Reads payloads as the service would, and says what became of each.

    Parameters
    ----------
    settings : Settings
    """

    def __init__(self, settings: Settings) -> None:
        quiet = logging.getLogger("rushlight.heard")
        quiet.propagate = False
        quiet.addHandler(logging.NullHandler())
        self._settings = settings
        self._now_ms = 0
        # as `status` and the page have it: the tank's own clock, and the computer's where no tank is set
        zone = next((tank.timezone for tank in settings.tanks.values()), None)
        self._zone = None if zone is None else ZoneInfo(zone)
        self._maker = BatchMaker(settings, ClearLog(quiet, lambda: self._now_ms))

    def of(self, link: int, delivery: Delivery) -> Iterator[str]:
        """Lines about one payload that came by the link at that place of the settings."""
        self._now_ms = delivery.arrived_ms
        batch = self._maker.make([Arrival(link, delivery)])
        where = f" {safe_text(delivery.topic)}" if delivery.topic else ""
        yield f"{datetime.fromtimestamp(delivery.arrived_ms / 1000, self._zone):%H:%M:%S}{where}"
        for tank, online, _ in batch.devices:
            yield f"  {tank}: its device says {'online' if online else 'offline'}"
        for reading in batch.readings:
            yield f"  {_reading_line(reading)}"
        for name, count in batch.counts.items():
            what = name.rpartition(".")[2]
            if what == "lost":
                yield f"  {count} reports were lost before this one (by its `seq`)"
            elif what == "repeated":
                yield "  a repeat of a report that came already; the service keeps it once"
            elif what == "rebooted":
                yield "  the device has booted since the last report (its `seq` began again)"
            elif what == "stamped":
                yield "  its clock is wrong, so this computer's time is taken; set the clock, or send no time"
        for kind, _, blob in batch.states:
            if kind == REFUSED_STATE:
                for one in load_refusals(blob):
                    if one.last_ms == delivery.arrived_ms and one.topic == (delivery.topic or ""):
                        yield from self._wrong(one, delivery)
        if not batch.readings and not batch.devices:
            yield f"  what came: {safe_text(delivery.payload.decode('utf-8', 'replace'), _HEAD)}"

    def _wrong(self, one: Refusal, delivery: Delivery) -> Iterator[str]:
        yield f"  wrong: {safe_text(one.reason)}"
        mend = mending_line(one, self._settings)
        if mend:
            yield f"  mend: {safe_text(mend)}"
        if one.kind == "unknown-tank":
            for line in _values_of(delivery):
                yield f"  it would be: {line}"


def _reading_line(reading: Reading) -> str:
    info = QUANTITIES[reading.quantity]
    value = "no value" if reading.value is None else f"{reading.value:.{info.decimals}f} {info.printed_unit}"
    line = f"{reading.tank}: {info.title} {value}".rstrip()
    remark = _FLAGS.get(Flag(reading.flag), "")
    return line + (f"  ({remark})" if remark else "")


def _values_of(delivery: Delivery) -> Iterator[str]:
    """What a report of a tank that is not in the settings holds."""
    try:
        report = (decode_line if delivery.topic is None else decode_pack)(delivery.payload)
    except WireError:
        return
    for record in report.records:
        value = "no value" if record.value is None else f"{record.value:g}"
        yield f"{report.tank}: {record.quantity} {value}"
