"""Saved states, unreadable payloads, counters and single values."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from rushlight.collector.store.database import Database
from rushlight.collector.store.records import SetAside

__all__ = ["Keepsakes"]

_log = logging.getLogger("rushlight.store")

_SET_ASIDE_ROWS = 1000
_SET_ASIDE_HEAD = 4096  # bytes
_COMMITS = 20  # whose states wait to be put in their places; common practice, no source

_State = tuple[str, str, bytes]
_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(list[_State]).decode


class Keepsakes(Database):
    """What the running service must find again after a restart."""

    # saved together and not in its place yet, up to that row
    _recent_states: dict[tuple[str, str], bytes]
    _recent_id: int

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

    def save_states(self, states: Iterable[_State], position: int | None = None) -> None:
        """The same for several of (kind, key, blob), in one go."""
        with self.transaction():
            self._place()
            self._put(states, position)

    def save_together(self, states: Sequence[_State]) -> None:
        """The same for those that change with each commit: (kind, key, blob), for which no reading is kept.

        With hundreds of tanks their places are all over the file. So they lie in one row first, and some
        commits later the newest of each is put in its place.
        """
        if not states:
            return
        with self.transaction():
            recent = self._recent()
            number = self._run("INSERT INTO recent_states (blob) VALUES (?)", (_encode(states),)).lastrowid
            assert number is not None
            recent.update(((kind, key), blob) for kind, key, blob in states)
            self._recent_id = number
            if self._one("SELECT count(*) FROM recent_states")[0] >= _COMMITS:
                self._place()

    def _place(self) -> None:
        """Put in its place what was saved together."""
        recent = self._recent()
        if recent:
            self._put(((kind, key, blob) for (kind, key), blob in recent.items()), None)
            self._run("DELETE FROM recent_states")

    def _put(self, states: Iterable[_State], position: int | None) -> None:
        self._run_many(
            "INSERT INTO states (kind, key, blob, position) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (kind, key) DO UPDATE SET blob = excluded.blob, position = excluded.position",
            ((kind, key, blob, position) for kind, key, blob in states),
        )

    def _recent(self) -> dict[tuple[str, str], bytes]:
        """What is not in its place yet, by kind and key."""
        last = self._one("SELECT max(id) FROM recent_states")[0] or 0  # an id is never given twice
        if last != self._recent_id:
            found: dict[tuple[str, str], bytes] = {}
            for (blob,) in self._all("SELECT blob FROM recent_states ORDER BY id"):
                try:
                    states = _decode(blob)
                except msgspec.MsgspecError as error:
                    _log.warning(
                        "%s: states of one commit can't be read (%s); older ones hold", self.path, error
                    )
                    continue
                found.update(((kind, key), state) for kind, key, state in states)
            self._recent_states, self._recent_id = found, last  # only where all of it could be read
        return self._recent_states

    def _forget(self) -> None:
        super()._forget()
        self._recent_states, self._recent_id = {}, 0

    def load_state(self, kind: str, key: str) -> tuple[bytes, int] | None:
        """The snapshot and its position (0 where it was saved without one); None where there is none."""
        with self._snapshot():
            recent = self._recent().get((kind, key))
            if recent is not None:
                return recent, 0
            row = self._one("SELECT blob, position FROM states WHERE kind = ? AND key = ?", (kind, key))
        return None if row is None else (bytes(row[0]), row[1] or 0)

    def states(self, kind: str) -> list[str]:
        """Keys of all snapshots of a kind, sorted."""
        with self._snapshot():
            rows = self._all("SELECT key FROM states WHERE kind = ?", (kind,))
            return sorted({row[0] for row in rows} | {key for of, key in self._recent() if of == kind})

    def states_from(self, kind: str, first: str, last: str) -> list[tuple[str, bytes]]:
        """Keys and snapshots of a kind, from one key to another and with both, in the order of the keys."""
        with self._snapshot():
            rows = self._all(
                "SELECT key, blob FROM states WHERE kind = ? AND key >= ? AND key <= ?", (kind, first, last)
            )
            found = {row[0]: bytes(row[1]) for row in rows}
            for (of, key), blob in self._recent().items():
                if of == kind and first <= key <= last:
                    found[key] = blob
        return sorted(found.items())

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
            self._place()
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
