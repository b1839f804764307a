"""Saved states, unreadable payloads, counters and single values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rushlight.collector.store.database import Database
from rushlight.collector.store.records import SetAside

__all__ = ["Keepsakes"]

_SET_ASIDE_ROWS = 1000
_SET_ASIDE_HEAD = 4096  # bytes


class Keepsakes(Database):
    """What the running service must find again after a restart."""

    def save_state(self, kind: str, key: str, blob: bytes, position: int | None) -> None:
        """Keep a snapshot of a part of the service, in the place of the one before.

        Parameters
        ----------
        kind, key : str
            Which part ("analysis", "stamper" …) and of what (a tank's or link's name).
        position : int or None
            The position up to which readings have gone into it. Later readings are kept as rows, in order
            of arrival, for as long as a state needs them; None where it needs none.
        """
        self.save_states([(kind, key, blob)], position)

    def save_states(self, states: Iterable[tuple[str, str, bytes]], position: int | None = None) -> None:
        """The same for several of (kind, key, blob), in one go."""
        with self.transaction():
            self._run_many(
                "INSERT INTO states (kind, key, blob, position) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (kind, key) DO UPDATE SET blob = excluded.blob, position = excluded.position",
                [(kind, key, blob, position) for kind, key, blob in states],
            )

    def load_state(self, kind: str, key: str) -> tuple[bytes, int] | None:
        """The snapshot and its position (0 where it was saved without one); None where there is none."""
        row = self._one("SELECT blob, position FROM states WHERE kind = ? AND key = ?", (kind, key))
        return None if row is None else (bytes(row[0]), row[1] or 0)

    def states(self, kind: str) -> list[str]:
        """Keys of all snapshots of a kind, sorted."""
        return [row[0] for row in self._all("SELECT key FROM states WHERE kind = ? ORDER BY key", (kind,))]

    def states_from(self, kind: str, first: str, last: str) -> list[tuple[str, bytes]]:
        """Keys and snapshots of a kind, from one key to another and with both, in the order of the keys."""
        rows = self._all(
            "SELECT key, blob FROM states WHERE kind = ? AND key >= ? AND key <= ? ORDER BY key",
            (kind, first, last),
        )
        return [(row[0], bytes(row[1])) for row in rows]

    def move_states(self, from_position: int, to_position: int) -> None:
        """Snapshots of the analysis that were up to date at a position are so now: what came since is old.

        For imports. What a server has been sent is not moved: it must get what was imported.
        """
        with self.transaction():
            self._run(
                "UPDATE states SET position = ? WHERE position = ? AND kind != 'influxdb'",
                (to_position, from_position),
            )

    def delete_state(self, kind: str, key: str) -> None:
        """Forget a snapshot, as of a tank that is no longer in the settings."""
        with self.transaction():
            self._run("DELETE FROM states WHERE kind = ? AND key = ?", (kind, key))

    def set_aside(
        self, link: str, topic: str, payload_head: bytes, size: int, reason: str, now_ms: int
    ) -> None:
        """Keep the head of a payload that can't be read; the last 1000 are kept.

        `size` is the whole payload's, in bytes.
        """
        with self.transaction():
            number = self._run(
                "INSERT INTO set_aside (link, topic, payload_head, size, reason, time_ms)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (link, topic, bytes(payload_head[:_SET_ASIDE_HEAD]), size, reason, now_ms),
            ).lastrowid
            assert number is not None
            self._run("DELETE FROM set_aside WHERE id <= ?", (number - _SET_ASIDE_ROWS,))

    def set_aside_rows(self) -> list[SetAside]:
        """Payloads set aside, oldest first."""
        rows = self._all(
            "SELECT id, link, topic, payload_head, size, reason, time_ms FROM set_aside ORDER BY id"
        )
        return [SetAside(*row) for row in rows]

    def get_meta(self, key: str) -> str | None:
        """A single value kept under a name."""
        row = self._one("SELECT value FROM meta WHERE key = ?", (key,))
        return None if row is None else str(row[0])

    def set_meta(self, key: str, value: str) -> None:
        """Keep a single value under a name."""
        with self.transaction():
            self._run(
                "INSERT INTO meta (key, value) VALUES (?, ?)"
                " ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                (key, value),
            )

    def add_counts(self, counts: Mapping[str, int]) -> None:
        """Add to counters, made at 0 where they are new."""
        with self.transaction():
            self._run_many(
                "INSERT INTO counters (name, count) VALUES (?, ?)"
                " ON CONFLICT (name) DO UPDATE SET count = count + excluded.count",
                list(counts.items()),
            )

    def counters(self) -> dict[str, int]:
        """All counters by name."""
        return dict(self._all("SELECT name, count FROM counters ORDER BY name"))
