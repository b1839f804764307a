"""When was it measured, and is it new: device time against arrival, report numbers, repeats.

One `Stamper` for each tank. It turns a `Report` into readings with a time, drops reports that came before
and counts lost and repeated reports and reboots.

Nothing is doubled when the collector is killed between its commit and the acknowledgement, because
`Stamper.state` is meant to be committed *in the same transaction* as the readings: after a restart the
redelivered report is found in the restored window by its number and content, also where it has no time and
would get a new time of arrival.
"""

from __future__ import annotations

import zlib
from typing import NamedTuple

import msgspec

from collector.readings import STAMP_ARRIVAL, STAMP_DEVICE, Reading
from collector.wire import Report

__all__ = ["Stamped", "Stamper", "StamperState"]

EARLIEST_MS = 1_577_836_800_000  # 2020-01-01T00:00Z: a clock before this was never set
AHEAD_MS = 120_000  # a device's clock may be this far ahead of the collector's
BACKLOG_MS = 31 * 86_400_000  # a device may send what it kept, up to this old

_WINDOW = 1024  # reports remembered; more than a broker may have in flight (links/mqtt.py)
_WINDOW_MS = 600_000  # and for how long
_RESENT_MS = 60_000  # without a time or the broker's word, the same again within this is a repeat
_NEAR_ZERO = 16  # after a reboot, up to so many reports before the first one seen are counted as lost
_GAP_BELIEVED = 1_000_000  # a greater step is a broken number, not lost reports
_PUSH_MS = 1000  # most that arrival times are pushed apart to keep their readings apart

_encode = msgspec.msgpack.Encoder().encode


class StamperState(msgspec.Struct):
    """What must survive a restart, and the counts.

    Attributes
    ----------
    seq : int
        Number of the newest report, -1 at first or where the device sends none.
    time_ms : int
        The newest plausible device time of a numbered report, 0 where there was none.
    lost, repeated, rebooted, stamped_on_arrival : int
        Counts of reports (reboots: of boots).
    recent : dict
        Fingerprint of each report of the last minutes -> when it arrived (ms), oldest first.
    arrival_ms : int
        The newest time of arrival given to a report without number and time.
    """

    seq: int = -1
    time_ms: int = 0
    lost: int = 0
    repeated: int = 0
    rebooted: int = 0
    stamped_on_arrival: int = 0
    recent: dict[int, int] = {}
    arrival_ms: int = 0


class Stamped(NamedTuple):
    """What became of one report; `readings` is empty where it is a repeat."""

    readings: list[Reading]
    lost: int = 0
    repeated: bool = False
    rebooted: bool = False


class Stamper:
    """Times and report numbers of one tank.

    Parameters
    ----------
    state : StamperState, optional
        As it was committed before a restart. It is changed in place; commit `Stamper.state` together with
        the readings.
    """

    def __init__(self, state: StamperState | None = None) -> None:
        self.state = state if state is not None else StamperState()

    def stamp(self, report: Report, arrived_ms: int, redelivered: bool = False) -> Stamped:
        """Readings of `report`, each with its time, or none where it was here before.

        Parameters
        ----------
        report : Report
        arrived_ms : int
            When it came in, ms since 1970.
        redelivered : bool
            The broker says that it may have sent it before.
        """
        state = self.state
        seq = report.seq
        earliest, latest = max(EARLIEST_MS, arrived_ms - BACKLOG_MS), arrived_ms + AHEAD_MS
        times = [  # the device's own where they can be believed
            time if (time := record.time_ms) is not None and earliest <= time <= latest else None
            for record in report.records
        ]
        timed = None not in times
        print_ = _fingerprint(report)
        before_ms = state.recent.get(print_)
        if before_ms is not None and (
            timed or redelivered or (seq >= 0 and abs(arrived_ms - before_ms) <= _RESENT_MS)
        ):
            state.repeated += 1
            return Stamped([], repeated=True)
        self._remember(print_, arrived_ms)
        device_ms = max((time for time in times if time is not None), default=0)
        lost, rebooted = self._number(seq, device_ms) if seq >= 0 else (0, False)
        if timed:
            tank = report.tank
            readings = [
                Reading(tank, record.quantity, time, record.value, 2, seq, STAMP_DEVICE)
                for record, time in zip(report.records, times, strict=True)
                if time is not None
            ]
        else:
            readings = self._on_arrival(report, times, arrived_ms)
        return Stamped(readings, lost, False, rebooted)

    def _on_arrival(self, report: Report, times: list[int | None], arrived_ms: int) -> list[Reading]:
        """Stamp what has no plausible time; distances within the report are kept."""
        state = self.state
        state.stamped_on_arrival += 1
        if report.seq < 0:
            # the store's key is (tank, quantity, time, number): without number and time, two reports of
            # one millisecond (a queue that empties after a pause) would count as one
            pushed_ms = state.arrival_ms + 1
            if arrived_ms < pushed_ms <= arrived_ms + _PUSH_MS:
                arrived_ms = pushed_ms
            state.arrival_ms = arrived_ms
        wrong = [r.time_ms for r, t in zip(report.records, times, strict=True) if t is None and r.time_ms]
        newest = max(wrong, default=0)
        readings = []
        for record, time in zip(report.records, times, strict=True):
            stamp = STAMP_DEVICE
            if time is None:
                stamp = STAMP_ARRIVAL
                age = newest - record.time_ms if record.time_ms else record.age_ms or 0
                time = arrived_ms - age if 0 < age <= BACKLOG_MS else arrived_ms
            readings.append(Reading(report.tank, record.quantity, time, record.value, 2, report.seq, stamp))
        return readings

    def _number(self, seq: int, device_ms: int) -> tuple[int, bool]:
        """Lost reports and whether the device began again, from its report number."""
        state = self.state
        last, last_ms = state.seq, state.time_ms
        if device_ms > last_ms:
            state.time_ms = device_ms
        lost = seq - last - 1
        if last < 0 or 0 <= lost < _GAP_BELIEVED:
            state.seq = seq
            lost = lost if last >= 0 else 0
            state.lost += lost
            return lost, False
        if lost >= _GAP_BELIEVED:
            state.seq = seq
            return 0, False
        # The number stepped back. Links keep the order, so this is a new boot, unless the device's own
        # clock says that it is an old report, sent late: then it was counted as lost too soon.
        if 0 < device_ms < last_ms and seq != last:
            state.lost = max(0, state.lost - 1)
            return 0, False
        state.seq = seq
        state.rebooted += 1
        lost = seq if seq <= _NEAR_ZERO else 0
        state.lost += lost
        return lost, True

    def _remember(self, print_: int, arrived_ms: int) -> None:
        recent = self.state.recent
        recent.pop(print_, None)  # so that the order stays that of arrival
        recent[print_] = arrived_ms
        while True:
            oldest = next(iter(recent))
            if len(recent) <= _WINDOW and arrived_ms - recent[oldest] <= _WINDOW_MS:
                return
            del recent[oldest]


def _fingerprint(report: Report) -> int:
    """62 bits: number and content, the same in every process."""
    return (report.seq & 0x3FFFFFFF) << 32 | zlib.crc32(_encode(report.records))
