"""What a tank's Stamper remembers over a restart, and what it says of one report."""

from __future__ import annotations

import msgspec

from rushlight.collector.intake.device_clock import DeviceClock
from rushlight.collector.readings import Reading

__all__ = ["STAMPER_HEAD", "Stamped", "StamperState"]

STAMPER_HEAD = "stamper"


class StamperState(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    """What must survive a restart, and the counts.

    A field that is added begins with its default after an upgrade; a snapshot with a field that is gone or
    renamed is not read. Defaults are not written, so none may change.

    Attributes
    ----------
    seq : int
        Number of the newest report, -1 at first or where the device sends none.
    time_ms : int
        The newest plausible device time of a numbered report, 0 where there was none.
    lost, repeated, rebooted : int
        Counts of reports (reboots: of boots).
    stamped_on_arrival : int
        In older stores only: the store's counter "stamped" of a tank says it to people.
    recent : dict
        In older stores only: fingerprint of each report of the last minutes -> when it arrived (ms).
    arrival_ms : int
        The newest time of arrival given to a report without number and time.
    taken : int
        Reports ever taken in; places of the remembered ones are counted by it.
    boot_at : int
        `taken` as it was before the first report of the device's present boot.
    boot_seq : int
        The number from which the present boot is known.
    heard_ms : int
        When the last report came in, repeat or not.
    clock : DeviceClock
        Whether the device's clock can be believed.
    paced, paced_seq : int
        How many repeats in a row came at a board's pace, each with the next number; the last one's number.
    paced_ms : int
        How long they have taken.
    """

    seq: int = -1
    time_ms: int = 0
    lost: int = 0
    repeated: int = 0
    rebooted: int = 0
    stamped_on_arrival: int = 0
    recent: dict[int, int] = {}
    arrival_ms: int = 0
    taken: int = 0
    boot_at: int = 0
    boot_seq: int = 0
    heard_ms: int = 0
    paced: int = 0
    paced_seq: int = -1
    paced_ms: int = 0
    clock: DeviceClock = msgspec.field(default_factory=DeviceClock)


class Stamped(msgspec.Struct, gc=False):
    """What became of one report.

    `readings` is empty where it is a repeat; `lost` is -1 where it came late and was counted as lost before.
    """

    readings: list[Reading]
    lost: int = 0
    repeated: bool = False
    rebooted: bool = False
