"""Alarm events, and what people asked for through the command line."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import msgspec

from rushlight.collector.errors import StoreError
from rushlight.collector.events import Event
from rushlight.collector.store.database import Database
from rushlight.collector.store.records import Request

__all__ = ["AlarmLog"]

_REQUEST = ", ".join(Request._fields)


class AlarmLog(Database):
    """Events are only ever added; requests are opened by the command line and closed by the service."""

    def add_event(self, event: Event) -> bool:
        """Keep an event; False where this event of this occurrence at this time was there already."""
        with self.transaction():
            cursor = self._run(
                "INSERT INTO events (occurrence, event, time_ms, tank, alarm, json)"
                " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (occurrence, event, time_ms) DO NOTHING",
                (
                    event.occurrence,
                    event.event,
                    _milliseconds(event.time),
                    event.tank,
                    event.alarm,
                    msgspec.json.encode(event),
                ),
            )
            return cursor.rowcount == 1

    def events(
        self,
        tank: str | None = None,
        since_ms: int | None = None,
        limit: int | None = None,
        occurrence: str | None = None,
    ) -> list[Event]:
        """Events in order of time, of one occurrence as they came; with `limit`, the last so many of them."""
        # a clock that was put back must not put an acknowledgement before what it acknowledges
        order = "id DESC" if occurrence is not None else "time_ms DESC, id DESC"
        where, args = ["1"], list[Any]()
        for column, value in (("tank =", tank), ("time_ms >=", since_ms), ("occurrence =", occurrence)):
            if value is not None:
                where.append(f"{column} ?")
                args.append(value)
        rows = self._all(
            f"SELECT json FROM events WHERE {' AND '.join(where)} ORDER BY {order} LIMIT ?",
            (*args, -1 if limit is None else limit),
        )
        return [msgspec.json.decode(row[0], type=Event) for row in reversed(rows)]

    def add_request(
        self,
        kind: str,
        tank: str,
        alarm: str,
        quantity: str,
        arguments: dict[str, Any],
        actor: str,
        now_ms: int,
    ) -> int:
        """Ask the service for something ("acknowledge", "shelve" …); returns the request's id."""
        with self.transaction():
            cursor = self._run(
                "INSERT INTO requests (kind, tank, alarm, quantity, arguments, actor, created_ms)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (kind, tank, alarm, quantity, json.dumps(arguments), actor, now_ms),
            )
            assert cursor.lastrowid is not None
            return cursor.lastrowid

    def open_requests(self) -> list[Request]:
        """Requests nobody has dealt with, oldest first."""
        rows = self._all(f"SELECT {_REQUEST} FROM requests WHERE outcome IS NULL ORDER BY id")
        return [_request(row) for row in rows]

    def close_request(self, number: int, outcome: str, now_ms: int) -> None:
        """Say what became of request `number`; the first outcome is kept."""
        with self.transaction():
            self._run(
                "UPDATE requests SET outcome = ?, closed_ms = ? WHERE id = ? AND outcome IS NULL",
                (outcome, now_ms, number),
            )

    def request_outcome(self, number: int) -> str | None:
        """What became of request `number`; None while it is open.

        Raises
        ------
        StoreError
            There is no such request.
        """
        row = self._one("SELECT outcome FROM requests WHERE id = ?", (number,))
        if row is None:
            raise StoreError(f"{self.path}: there is no request {number}")
        outcome: str | None = row[0]
        return outcome


def _request(row: tuple[Any, ...]) -> Request:
    request = Request(*row)
    return request._replace(arguments=json.loads(row[5]))


def _milliseconds(time: str) -> int:
    moment = datetime.fromisoformat(time)
    if moment.tzinfo is None:
        raise StoreError(f"an event's time {time!r} has no offset; write it as 2026-03-01T02:14:10Z")
    return round(moment.timestamp() * 1000)
