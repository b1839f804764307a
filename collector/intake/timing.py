"""When was it measured, and is it new: device time against arrival, report numbers, repeats.

One `Stamper` for each tank. It turns a `Report` into readings with a time, drops reports that came before
and counts lost and repeated reports and reboots.

A repeat is known by what it is, its number and content, among the last two thousand reports; not by the
collector's clock, which may be stepped in the meantime. A report without a number and a time is a repeat only
where the broker says so, and what was kept came in the same MQTT packet (its identifier is the same when it
is sent again: MQTT 3.1.1 and 5, section 4.4); where that can't decide, both are kept. Number and content
can't separate reports that are sent again from a new boot that says just what the one before said (a lamp
that is off: 0 lx). What is sent again comes all at once, so several in a row that keep a board's pace are a
new boot; more of them, or ten minutes, must be where they don't begin near zero, because a broker that was
killed, and writes each change to a slow disk, hands on what it kept one by one, and without saying that it
may have sent it before.

A device's time is believed where the report can be that old: just measured, or kept while nothing could be
sent. What keeps the pace of a board, and says that it is older than two minutes, comes from a clock that is
behind: it is stamped on arrival (`rushlight.collector.intake.device_clock`).

Nothing is doubled when the collector is killed between its commit and the acknowledgement, because
`Stamper.save` is meant to be committed *in the same transaction* as the readings: after a restart the
redelivered report is found among the restored ones, also where it has no time and would get a new time of
arrival.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable

import msgspec

from rushlight.collector.intake.device_clock import BACKLOG_MS, EARLIEST_MS, believable
from rushlight.collector.intake.recent_reports import PAGES, Remembered
from rushlight.collector.intake.reports import Report
from rushlight.collector.intake.stamper_state import STAMPER_HEAD, Stamped, StamperState
from rushlight.collector.readings import STAMP_ARRIVAL, STAMP_DEVICE, Reading

__all__ = ["STAMPER_KINDS", "Stamper"]

_NEAR_ZERO = 16  # after a reboot, up to so many reports before the first one seen are counted as lost
_GAP_BELIEVED = 1_000_000  # a greater step is a broken number, not lost reports
_PUSH_MS = 1000  # most that arrival times are pushed apart to keep their readings apart
_NUMBER = 0x3FFFFFFF  # bits of a report number that are remembered
_COUNTED = 8  # packets of a broker that must be known, all different, before it is taken to count them up
_PACKETS = 0x20000000  # in the place of a number: the packet of a report without one
_LATE = 1024  # a report without a time may be late by so many and fill its gap
_PACE_MS = 1000  # what is sent again comes faster than this, a board's own reports no faster
_PACED = 4  # repeats in a row from near zero that kept that pace: the next is a new boot's
_PACED_LATE = 64  # the same further on, where a broker that writes slowly may keep a pace, too
_PACED_LATE_MS = 600_000  # or for so long: no broker is as slow as a board that reports each minute or more
_IN_FLIGHT = 1024  # most that a broker sends before they are acknowledged (links/mqtt.py: 1000)

_PAGE_KINDS = [f"stamper reports {page}" for page in range(PAGES)]
STAMPER_KINDS = (STAMPER_HEAD, *_PAGE_KINDS)
"""Kinds of the snapshots that a `Stamper` is saved in, each under its tank's name."""

_encode = msgspec.msgpack.Encoder().encode


class Stamper:
    """Times and report numbers of one tank.

    Parameters
    ----------
    state : StamperState, optional
        As it was committed before a restart. It is changed in place.
    pages : dict, optional
        The remembered reports, page number -> bytes.
    """

    def __init__(self, state: StamperState | None = None, pages: dict[int, bytes] | None = None) -> None:
        self.state = state if state is not None else StamperState()
        self._recent = Remembered(self.state.taken, pages)
        if self.state.recent:
            for print_ in self.state.recent:
                self._recent.add(print_)
            self.state.recent = {}
            self.state.taken = self._recent.count
            self.state.boot_seq = self.state.seq  # which numbers were there before isn't known

    @classmethod
    def load(cls, read: Callable[[str], bytes | None]) -> Stamper:
        """Take up what was saved.

        Parameters
        ----------
        read : callable
            Gives the blob saved under a kind, None where there is none.

        Raises
        ------
        msgspec.MsgspecError
            The snapshot can't be read.
        """
        head = read(STAMPER_HEAD)
        if head is None:
            return cls()
        pages = {page: blob for page, kind in enumerate(_PAGE_KINDS) if (blob := read(kind)) is not None}
        return cls(msgspec.msgpack.decode(head, type=StamperState), pages)

    def save(self) -> list[tuple[str, bytes]]:
        """What changed since the last call, as (kind, blob); to be committed together with the readings."""
        changed = [(_PAGE_KINDS[page], blob) for page, blob in self._recent.changed()]
        return [(STAMPER_HEAD, _encode(self.state)), *changed]

    def stamp(
        self,
        report: Report,
        arrived_ms: int,
        redelivered: bool = False,
        packet: tuple[str, int] | None = None,
    ) -> Stamped:
        """Readings of `report`, each with its time, or none where it was here before.

        Parameters
        ----------
        report : Report
        arrived_ms : int
            When it came in, ms since 1970.
        redelivered : bool
            The broker says that it may have sent it before.
        packet : (str, int), optional
            The link and MQTT's packet identifier.
        """
        state = self.state
        seq = report.seq
        times, timed, newest_ms = believable(report.records, arrived_ms)
        print_ = _fingerprint(report, packet)
        pause_ms, state.heard_ms = arrived_ms - state.heard_ms, arrived_ms
        doubted = timed and not state.clock.believes(newest_ms, arrived_ms)
        # a clock that was put back says the same times again, and what it says then is no repeat
        new_at_old_time = doubted and seq < 0 and not redelivered
        # all of this boot have lower numbers; saves most of the searching
        follows = seq == state.seq + 1 and not redelivered
        if not follows and not new_at_old_time and self._is_repeat(report, print_, redelivered):
            if timed or redelivered or seq < 0 or not self._is_paced(seq, pause_ms):
                state.repeated += 1
                return Stamped([], repeated=True)
        else:
            state.paced = 0
        if doubted:
            times, timed, newest_ms = [None] * len(report.records), False, 0
        lost, rebooted = self._number(seq, newest_ms) if seq >= 0 else (0, False)
        self._recent.add(print_)
        state.taken = self._recent.count
        if timed:
            tank = report.tank
            readings = [
                Reading(tank, record.quantity, record.time_ms, record.value, 2, seq, STAMP_DEVICE)
                for record in report.records
                if record.time_ms is not None
            ]
        else:
            readings = self._on_arrival(report, times, arrived_ms)
        return Stamped(readings, lost, False, rebooted)

    def _is_repeat(self, report: Report, print_: int, redelivered: bool) -> bool:
        """Whether it is one of the remembered reports. The collector's clock has no say in it."""
        state, seq = self.state, report.seq
        place = self._recent.find(print_)
        if place < 0:
            return False
        # by the calendar alone: whether the time can be believed changes with the collector's clock
        timed = all(record.time_ms is not None and record.time_ms >= EARLIEST_MS for record in report.records)
        if timed:
            return True
        if redelivered:
            # But what goes on from the last one, and is like a report before the reboot that no broker can
            # still have had in flight, is like it by chance, and was never committed.
            if seq < 0:
                return self._is_same_packet(print_, place)
            return seq != state.seq + 1 or self._recent.count - place <= _IN_FLIGHT
        if seq < 0:
            return False  # 24.0 again is a new reading
        # After a reboot a number comes again, and by chance with the same value. What begins anew is new, as
        # is what goes on from the last one; a leap ahead to what was there before the reboot is not.
        return place >= state.boot_at or seq > state.seq

    def _is_same_packet(self, print_: int, place: int) -> bool:
        """Whether a report without number and time that is sent again is the remembered one.

        It is used only where the broker is seen to count identifiers up. Others give the same one again as
        soon as it is free, and a report that was never committed must not be taken for an earlier one: rather
        one twice than one lost.
        """
        number = print_ >> 32
        if number == _NUMBER:
            return True  # its packet is not known
        recent = self._recent
        last = [
            recent.number(at) for at in range(max(recent.oldest, recent.count - 2 * _COUNTED), recent.count)
        ]
        ours = [one for one in last if one >> 16 == number >> 16]
        if len(ours) < _COUNTED or len(set(ours)) < len(ours):
            return False
        near = recent.count - place <= _IN_FLIGHT
        return near and recent.count_number(number, recent.count - _IN_FLIGHT) == 1

    def _is_paced(self, seq: int, pause_ms: int) -> bool:
        """Whether so many repeats have kept a board's pace that this one is a new boot's report."""
        state = self.state
        state.paced = state.paced + 1 if pause_ms >= _PACE_MS and seq == state.paced_seq + 1 else 0
        pause_ms = min(pause_ms, _PACED_LATE_MS // _PACED)  # one step of the clock is no pace
        state.paced_ms = pause_ms + (state.paced_ms if state.paced > 1 else 0)
        state.paced_seq = seq
        early = seq - state.paced <= _NEAR_ZERO or state.paced_ms >= _PACED_LATE_MS
        if state.paced < (_PACED if early else _PACED_LATE):
            return False
        state.paced = 0
        return True

    def _on_arrival(self, report: Report, times: list[int | None], arrived_ms: int) -> list[Reading]:
        """Stamp what has no plausible time; distances within the report are kept."""
        state = self.state
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
        if last < 0:
            state.boot_seq = state.seq = seq
            return 0, False
        if 0 <= lost < _GAP_BELIEVED:
            state.seq = seq
            state.lost += lost
            return lost, False
        if lost >= _GAP_BELIEVED:
            state.seq = seq
            return 0, False
        # The number stepped back. Links keep the order, so this is a new boot, unless the device's own
        # clock, or a gap that it fits into, says that it is an old report, sent late, or again after the
        # broker forgot it: then it was counted as lost too soon.
        if seq != last and (0 < device_ms < last_ms or (not device_ms and self._fits_gap(seq))):
            late = min(1, state.lost)
            state.lost -= late
            return -late, False
        state.seq = seq
        state.rebooted += 1
        state.boot_at = state.taken
        lost = seq if seq <= _NEAR_ZERO else 0
        state.boot_seq = seq - lost
        state.lost += lost
        return lost, True

    def _fits_gap(self, seq: int) -> bool:
        """No remembered report of this boot had the number, and it is not one of a boot's first."""
        state, recent = self.state, self._recent
        if state.boot_at < recent.oldest:
            first = recent.number(recent.oldest) + 1
        else:
            first = min(state.boot_seq, _NEAR_ZERO + 1)
        return max(first, state.seq - _LATE) <= seq and recent.find_number(seq & _NUMBER) < state.boot_at


def _fingerprint(report: Report, packet: tuple[str, int] | None) -> int:
    """62 bits: number (or packet) and content, the same in every process."""
    number = report.seq & _NUMBER
    if report.seq < 0 and packet is not None:
        link, identifier = packet
        number = _PACKETS | (zlib.crc32(link.encode()) & 0x1FFF) << 16 | identifier & 0xFFFF
    return number << 32 | zlib.crc32(_encode(report.records))
