"""The keeper's log in the store: entries are added and undone, and never removed."""

from __future__ import annotations

from typing import Any

import msgspec

from rushlight.collector.errors import LogError
from rushlight.collector.store.calibration import WrittenCalibration
from rushlight.collector.store.database import Database
from rushlight.collector.store.log_entry import LogChange, LogEntry, entry_fault

__all__ = ["KeeperLog"]

_NEXT = "(SELECT coalesce(max(change), 0) + 1 FROM keeper_log)"


class KeeperLog(Database):
    """Any process may add to it while the service runs, which asks for what has changed."""

    def add_log(self, entry: LogEntry, actor: str, now_ms: int) -> LogEntry:
        """Keep an entry; as it is kept, with its id.

        Raises
        ------
        LogError
            It can't be right: a bound, a date to come, a control character. Nothing was kept.
        """
        fault = entry_fault(entry, now_ms)
        if fault:
            raise LogError(f"{entry.tank}: {fault}")
        with self.transaction():
            cursor = self._run(
                "INSERT INTO keeper_log (tank, time_ms, json, actor, written_ms, change)"
                f" VALUES (?, ?, ?, ?, ?, {_NEXT})",
                (entry.tank, entry.time_ms, msgspec.json.encode(entry), actor, now_ms),
            )
            assert cursor.lastrowid is not None
            return msgspec.structs.replace(entry, id=cursor.lastrowid)

    def undo_log(self, tank: str, number: int, now_ms: int) -> LogEntry:
        """Take an entry back: it is no longer listed, and counts no more.

        Raises
        ------
        LogError
            The tank has no such entry, or it was undone before.
        """
        with self.transaction():
            row = self._one("SELECT id, json, undone_ms FROM keeper_log WHERE id = ?", (number,))
            if row is None or (entry := _entry(row)).tank != tank:
                raise LogError(f"{tank}: has no entry {number}; see `rushlight note {tank} --list`")
            if row[2] is not None:
                raise LogError(f"{tank}: entry {number} was undone before; nothing has changed")
            self._run(f"UPDATE keeper_log SET undone_ms = ?, change = {_NEXT} WHERE id = ?", (now_ms, number))
            return entry

    def last_log_change(self) -> int:
        """Number of the last change of any tank's log; 0 where nothing was noted."""
        row = self._one("SELECT coalesce(max(change), 0) FROM keeper_log")
        return int(row[0])

    def log(self, tank: str, since_ms: int = 0, until_ms: int | None = None) -> list[LogEntry]:
        """A tank's entries in order of time, without those undone; `since_ms <= time < until_ms`."""
        rows = self._all(
            "SELECT id, json FROM keeper_log WHERE tank = ? AND undone_ms IS NULL AND time_ms >= ?"
            " AND (? IS NULL OR time_ms < ?) ORDER BY time_ms, id",
            (tank, since_ms, until_ms, until_ms),
        )
        return [_entry(row) for row in rows]

    def log_changes(self, after: int) -> list[LogChange]:
        """What was added or undone since change number `after`, of all tanks, in that order."""
        rows = self._all(
            "SELECT id, json, undone_ms, change FROM keeper_log WHERE change > ? ORDER BY change", (after,)
        )
        return [LogChange(row[3], _entry(row), row[2] is not None) for row in rows]

    def calibrations(self) -> list[WrittenCalibration]:
        """Every calibration of a probe, of all tanks, those undone too, by time."""
        rows = self._all(
            "SELECT id, json, written_ms, undone_ms FROM keeper_log"
            " WHERE instr(json, '\"calibration\":{') > 0 ORDER BY time_ms, id"
        )
        found = []
        for row in rows:
            entry = _entry(row)
            if entry.calibration is not None:
                found.append(WrittenCalibration(entry.tank, entry.time_ms, entry.calibration, row[2], row[3]))
        return found


def _entry(row: tuple[Any, ...]) -> LogEntry:
    return msgspec.structs.replace(msgspec.json.decode(row[1], type=LogEntry), id=row[0])
