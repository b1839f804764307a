"""The durable outbox: a notice stays here until its target has taken it."""

from __future__ import annotations

from collections.abc import Sequence

from rushlight.collector.store.database import Database
from rushlight.collector.store.records import Notice

__all__ = ["Outbox"]

_COLUMNS = ", ".join(Notice._fields)
_OPEN = "delivered_ms IS NULL AND cancelled = 0"
_AHEAD_MS = 180_000  # a notice queued so far ahead of the clock was queued by another one
_WAIT_MS = 900_000  # the longest pause after failures (`rushlight.analysis.notices.channels.backoff_ms`)


class Outbox(Database):
    """Queue a notice in the same transaction as the alarm's transition, mark it sent after it was sent."""

    def queue_notice(
        self,
        *,
        occurrence: str,
        transition: str,
        target: str,
        title: str,
        body: str,
        priority: str,
        created_ms: int,
        number: int = 0,
        not_before_ms: int = 0,
    ) -> bool:
        """Add a notice; one with the same occurrence, transition, number and target is never added twice.

        Parameters
        ----------
        occurrence, transition : str
            Which raising of which alarm, and what became of it ("raised", "cleared" …).
        target : str
            Index or hash of the channel, not its URL: that holds secrets.
        number : int
            0 for the first sending, then 1, 2 … for re-sends.
        not_before_ms : int
            Do not send earlier than this (quiet hours), 0 for at once.

        Returns
        -------
        bool
            False where it was there already.
        """
        with self.transaction():
            cursor = self._run(
                "INSERT INTO notices (occurrence, transition, number, target, title, body, priority,"
                " not_before_ms, created_ms, next_attempt_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (occurrence, transition, number, target) DO NOTHING",
                (
                    occurrence,
                    transition,
                    number,
                    target,
                    title,
                    body,
                    priority,
                    not_before_ms,
                    created_ms,
                    max(not_before_ms, created_ms),
                ),
            )
            return cursor.rowcount == 1

    def due_notices(self, now_ms: int, limit: int = 100) -> list[Notice]:
        """Notices to be sent now: the urgent first, then in order of queueing."""
        rows = self._all(
            f"SELECT {_COLUMNS} FROM notices WHERE {_OPEN} AND next_attempt_ms <= ? ORDER BY CASE priority"
            " WHEN 'critical' THEN 0 WHEN 'high' THEN 1 WHEN 'medium' THEN 2 ELSE 3 END, id LIMIT ?",
            (now_ms, limit),
        )
        return [Notice(*row) for row in rows]

    def notice_delivered(self, number: int, now_ms: int) -> None:
        """The target has taken notice `number` (its id)."""
        with self.transaction():
            self._run(
                "UPDATE notices SET delivered_ms = ?, attempts = attempts + 1, error = '' WHERE id = ?",
                (now_ms, number),
            )

    def notice_failed(self, number: int, next_attempt_ms: int, error: str) -> None:
        """Sending notice `number` (its id) failed; it is due again at `next_attempt_ms`."""
        with self.transaction():
            self._run(
                "UPDATE notices SET next_attempt_ms = ?, attempts = attempts + 1, error = ? WHERE id = ?",
                (next_attempt_ms, error[:500], number),
            )

    def keep_notice(self, notice: Notice, cancelled: bool) -> None:
        """A notice as it has become while the store could not be written; its id is of no account.

        What is delivered or cancelled here stays so.
        """
        columns = Notice._fields[1:]
        with self.transaction():
            self._run(
                f"INSERT INTO notices ({', '.join(columns)}, cancelled) VALUES"
                f" ({', '.join('?' * len(columns))}, ?)"
                " ON CONFLICT (occurrence, transition, number, target) DO UPDATE SET"
                " attempts = max(attempts, excluded.attempts), next_attempt_ms = excluded.next_attempt_ms,"
                " delivered_ms = coalesce(delivered_ms, excluded.delivered_ms), error = excluded.error,"
                " cancelled = max(cancelled, excluded.cancelled)",
                (*notice[1:], cancelled),
            )

    def targets_with_word(self, occurrence: str) -> set[str]:
        """Targets that a notice about an occurrence has reached, or waits for."""
        sql = (
            "SELECT DISTINCT target FROM notices"
            " WHERE occurrence = ? AND (delivered_ms IS NOT NULL OR cancelled = 0)"
        )
        return {row[0] for row in self._all(sql, (occurrence,))}

    def cancel_notices(self, occurrence: str) -> int:
        """Send no more of what is still waiting about an occurrence; returns how many that were."""
        with self.transaction():
            return self._run(
                f"UPDATE notices SET cancelled = 1 WHERE occurrence = ? AND {_OPEN}", (occurrence,)
            ).rowcount

    def follow_clock(self, now_ms: int) -> int:
        """Waiting notices whose times lie where a clock has been that was ahead; returns how many.

        What was queued by that clock was queued now; a reminder waits for as long as it would have, anything
        else is due, and quiet hours are looked at again when it is sent. A failed one is tried soon.
        """
        with self.transaction():
            moved = self._run(
                "UPDATE notices SET created_ms = ?,"
                " not_before_ms = iif(number = 0, 0, max(0, not_before_ms - created_ms + ?)),"
                " next_attempt_ms = iif(number = 0, ?, max(not_before_ms, created_ms) - created_ms + ?)"
                f" WHERE {_OPEN} AND created_ms > ?",
                (now_ms, now_ms, now_ms, now_ms, now_ms + _AHEAD_MS),
            ).rowcount
            return moved + (
                self._run(
                    f"UPDATE notices SET next_attempt_ms = max(not_before_ms, ?) WHERE {_OPEN}"
                    " AND next_attempt_ms > max(not_before_ms, ?)",
                    (now_ms, now_ms + _WAIT_MS),
                ).rowcount
            )

    def replace_notices(self, tank: str, others: Sequence[Notice]) -> None:
        """In the place of all that wait about a tank: what waits in another store, as it is there.

        The same notice, sent from here before, is not sent again.
        """
        with self.transaction():
            for notice in self.pending_notices():
                if notice.occurrence.startswith(f"{tank}/") and notice.transition != "test":
                    self._run("DELETE FROM notices WHERE id = ?", (notice.id,))
            columns = Notice._fields[1:]
            self._run_many(
                f"INSERT INTO notices ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"
                " ON CONFLICT (occurrence, transition, number, target) DO NOTHING",
                [notice[1:] for notice in others],
            )

    def pending_notices(self) -> list[Notice]:
        """All that wait, due or not, in order of queueing."""
        return [
            Notice(*row) for row in self._all(f"SELECT {_COLUMNS} FROM notices WHERE {_OPEN} ORDER BY id")
        ]

    def notices(self, occurrence: str) -> list[Notice]:
        """All notices about an occurrence, sent or not, in order of queueing."""
        sql = f"SELECT {_COLUMNS} FROM notices WHERE occurrence = ? ORDER BY id"
        return [Notice(*row) for row in self._all(sql, (occurrence,))]

    def drop_old_notices(self, before_ms: int) -> int:
        """Forget delivered and cancelled notices queued before `before_ms`; returns how many.

        The first ones about an alarm that is not over stay: they say who has word of it.
        """
        with self.transaction():
            return self._run(
                "DELETE FROM notices WHERE (delivered_ms IS NOT NULL OR cancelled = 1) AND created_ms < ?"
                " AND (number > 0 OR occurrence NOT IN (SELECT occurrence FROM events WHERE event = 'raised')"
                " OR occurrence IN (SELECT occurrence FROM events WHERE event = 'cleared'))",
                (before_ms,),
            ).rowcount
